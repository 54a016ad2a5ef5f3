import asyncio

import pytest

from midwatch.bus import CommandError, ErrorKind
from midwatch.clock import VirtualClock
from midwatch.devices.contract import DeviceError, Stop
from midwatch.devices.contract.kinds import Park, Pulse
from midwatch.devices.host.work import Work
from midwatch.virtual_time import run_virtual
from support.device_toys import START


async def outcome_of(command, job, limit_s):
    clock = VirtualClock(START)
    async with asyncio.TaskGroup() as tasks:
        work = Work(clock, tasks, "mount")
        try:
            return await work.do(command, lambda: job(clock), limit_s)
        except Exception as error:
            return error, clock.mono()


@pytest.mark.parametrize("command", [Park(), Pulse(direction="east", duration_ms=1)])
def test_a_job_is_ended_at_its_limit_and_the_device_is_free(command):
    async def job(clock):
        await clock.sleep(100)

    error, at = run_virtual(lambda: outcome_of(command, job, 30))
    assert error.kind is ErrorKind.EXPIRED
    assert "30.0 s" in error.message
    assert at == pytest.approx(30)


def test_the_drivers_own_timeout_is_not_taken_for_ours():
    async def job(clock):
        async with clock.timeout(5):
            await clock.sleep(100)

    error, at = run_virtual(lambda: outcome_of(Park(), job, 30))
    assert isinstance(error, TimeoutError)
    assert at == pytest.approx(5)


def test_what_the_device_says_keeps_whether_it_may_be_tried_again():
    async def job(clock):
        raise DeviceError("the motor is hot", retryable=True)

    error, _ = run_virtual(lambda: outcome_of(Park(), job, 30))
    assert (error.kind, error.retryable) == (ErrorKind.DEVICE_FAULT, True)


def test_two_emergencies_at_once_both_end_what_runs_and_one_of_them_is_last():
    async def main():
        clock = VirtualClock(START)
        ran = []

        async def job(name, takes_s):
            ran.append(name)
            await clock.sleep(takes_s)
            return

        async with asyncio.TaskGroup() as tasks:
            work = Work(clock, tasks, "mount")
            parking = asyncio.create_task(work.do(Park(), lambda: job("park", 60), 100))
            await clock.sleep(1)
            first = asyncio.create_task(work.do(Stop(), lambda: job("stop", 5), 100))
            second = asyncio.create_task(work.do(Stop(), lambda: job("again", 5), 100))
            await asyncio.wait([parking, first, second])
            with pytest.raises(CommandError) as caught:
                parking.result()
            return ran, caught.value.kind, first.result(), second.result(), clock.mono()

    ran, kind, first, second, at = run_virtual(main)
    assert ran == ["park", "stop"]
    assert kind is ErrorKind.CANCELLED
    assert (first, second) == (None, None)
    assert at == pytest.approx(6)
