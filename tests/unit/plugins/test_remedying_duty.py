"""Starting a driver again: not one that is on its way back like all the others."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, cast

import pytest

from midwatch.api.duty import DutyContext, RestartDriverArgs
from midwatch.tasks import end, start
from midwatch.virtual_time import run_virtual
from midwatch_plugins.duties.remedying import RestartDriver
from support.device_toys import Kind, Rig, toy_rig

# Three heartbeats of 10 s, and the check that follows.
GONE_S = 40.0


class Supervisor:
    """Starts drivers of a toy rig again: their way to the broker is there again at once."""

    roles = ("mount", "camera")

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.started: list[str] = []

    async def restart(self, role: str) -> None:
        self.started.append(role)
        await self.rig.buses[role].restore()


async def _camera_cut(rig: Rig) -> None:
    rig.buses["camera"].cut()
    await rig.clock.sleep(GONE_S)


async def _all_cut(rig: Rig) -> None:
    rig.buses["mount"].cut()
    rig.buses["camera"].cut()
    await rig.clock.sleep(GONE_S)
    await rig.buses["mount"].restore()
    await rig.clock.sleep(1.0)


def remedied(prepare: Callable[[Rig], Any], camera_back_in_s: float) -> tuple[list[str], float]:
    """Restart the camera's driver; return what was started, and how long that took."""

    async def main() -> tuple[list[str], float]:
        async with toy_rig(Kind.MOUNT, Kind.CAMERA) as rig, rig.lease:
            devices = {"mount": rig.client(Kind.MOUNT), "camera": rig.client(Kind.CAMERA)}
            for client in devices.values():
                await client.start()
            await rig.clock.sleep(60.0)
            await prepare(rig)
            supervisor, noted = Supervisor(rig), list[str]()
            context = SimpleNamespace(
                rig=SimpleNamespace(devices=devices), supervisor=supervisor, clock=rig.clock,
                note=lambda fact: noted.append(fact.message),
            )  # fmt: skip
            began_s = rig.clock.mono()

            async def back() -> None:
                await rig.clock.sleep(camera_back_in_s)
                await rig.buses["camera"].restore()

            returning = start("the camera comes back", back())
            duty_context = cast("DutyContext", context)
            await RestartDriver().perform(duty_context, RestartDriverArgs(device="camera"))
            took_s = rig.clock.mono() - began_s
            await end(returning, reason="the test is over")
            for client in devices.values():
                await client.stop()
            assert bool(noted) is not bool(supervisor.started)  # one of the two, and it is said
            return supervisor.started, took_s

    return run_virtual(main)


@pytest.mark.parametrize(
    ("prepare", "camera_back_in_s", "started"),
    [
        # The bus was away for all: the mount is back, the camera 12 s later, by itself.
        (_all_cut, 12.0, []),
        # It does not come by itself.
        (_all_cut, 600.0, ["camera"]),
        # It alone fell silent: nothing to wait for.
        (_camera_cut, 12.0, ["camera"]),
    ],
)
def test_a_driver_that_comes_back_after_the_others_is_not_started_again(
    prepare: Callable[[Rig], Any], camera_back_in_s: float, started: list[str]
) -> None:
    found, took_s = remedied(prepare, camera_back_in_s)
    assert found == started
    assert took_s < 40.0
