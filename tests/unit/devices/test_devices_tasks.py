"""What a driver runs beside its commands is begun once, or not at all; nothing is left behind."""

from __future__ import annotations

import asyncio
import gc
import warnings

import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.clock import VirtualClock
from midwatch.devices.contract.kinds import Park
from midwatch.devices.host.driver_host import DriverStartError
from midwatch.devices.host.work import Work
from midwatch.virtual_time import run_virtual
from support.device_toys import START, Kind, ToyCamera, toy_rig


@pytest.fixture(autouse=True)
def _nothing_forgotten():
    """A coroutine that nobody awaited is told when it is collected."""
    with warnings.catch_warnings(record=True) as seen:
        warnings.simplefilter("always")
        yield
        gc.collect()
    assert [str(warning.message) for warning in seen] == []


class Spawning(ToyCamera):
    """Begins something more when it is closed, or before it refuses to start."""

    refuses = False

    def __init__(self, context):
        super().__init__(context)
        if self.refuses:
            raise ValueError("port: /dev/null is no camera; name another")

    async def close(self):
        self.context.spawn("last words", self.context.clock.sleep(5.0))


def test_what_a_driver_begins_while_its_host_ends_is_not_begun():
    async def main():
        async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Spawning}) as rig:
            await rig.clock.sleep(10)
        return rig.clock.mono()

    assert run_virtual(main) == pytest.approx(10)


def test_what_a_driver_wanted_to_run_is_dropped_when_it_does_not_start():
    class Refusing(Spawning):
        refuses = True

    async def main():
        with pytest.raises(DriverStartError, match="is no camera"):
            async with toy_rig(Kind.CAMERA, factories={Kind.CAMERA: Refusing}):
                pass

    run_virtual(main)


def test_a_host_that_is_ended_in_the_moment_of_its_start_leaves_nothing_behind():
    async def main():
        async with toy_rig(Kind.CAMERA):
            pass

    run_virtual(main)


def test_what_is_begun_and_ended_in_the_same_breath_leaves_nothing_behind():
    async def main():
        async with toy_rig(Kind.CAMERA) as rig:
            await rig.clock.sleep(1)
            driver = rig.hosts["camera"].driver
            driver.context.spawn("a moment", rig.clock.sleep(5.0))

    run_virtual(main)


def test_a_command_that_comes_while_the_driver_ends_is_refused():
    async def main():
        clock = VirtualClock(START)
        found = []

        async def job():
            await clock.sleep(1)

        async def ask(work):
            try:
                await clock.sleep(100)
            finally:
                with pytest.raises(CommandError) as caught:
                    await work.do(Park(), job, 30)
                found.append(caught.value.kind)

        with pytest.raises(ExceptionGroup):
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(ask(Work(clock, tasks, "mount")))
                await clock.sleep(1)
                raise OSError("the host fails")
        return found

    assert run_virtual(main) == [ErrorKind.CANCELLED]
