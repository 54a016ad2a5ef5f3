"""Device hosts of a rehearsal die, hang and come back as processes do."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path

from midwatch.bus import Caller, MemoryBroker, MemoryBus
from midwatch.clock import VirtualClock
from midwatch.devices.client import LeaseHolder, RigClient
from midwatch.devices.contract import Connect
from midwatch.devices.contract.kinds import Expose
from midwatch.devices.host import RestartRule, RigSetting
from midwatch.orders.reading import load_night
from midwatch.runtime.rehearsal import RehearsedDevices
from midwatch.runtime.simulation import simulated_rig
from midwatch.virtual_time import run_virtual

ORDERS = Path(__file__).parents[2] / "configs/orders/first-night.yaml"
CLOCK = VirtualClock(datetime(2027, 3, 10, 20, tzinfo=UTC))


def rehearsed(
    work: Callable[[RehearsedDevices, RigClient, list[str]], Awaitable[None]],
    rule: RestartRule | None = None,
) -> None:
    night = load_night(ORDERS)
    setting = RigSetting(
        simulated_rig(night.rig, "fast"), night.site.name, night.place, night.horizon
    )

    async def main() -> None:
        broker = MemoryBroker()
        seen: list[str] = []
        async with RehearsedDevices(setting, broker, CLOCK, 1, rule) as devices:
            devices.inform = lambda _role, message: seen.append(message)
            async with (
                MemoryBus(broker, "midwatch") as bus,
                Caller(bus, setting.topics, CLOCK, 1) as caller,
                LeaseHolder(bus, setting.topics, CLOCK, "me", 60.0) as lease,
                RigClient(
                    bus, setting.topics, caller, CLOCK, devices.roles,
                    setting.rig.bus.heartbeat_s, lease,
                ) as rig,
            ):  # fmt: skip
                assert await rig.wait_online(30.0) == ()
                await work(devices, rig, seen)

    run_virtual(main)


def test_a_driver_that_dies_is_offline_at_once_and_back_after_its_pause():
    async def work(devices: RehearsedDevices, rig: RigClient, seen: list[str]) -> None:
        await rig.camera.do(Connect(), 10.0)
        await devices.crash("camera")
        await CLOCK.sleep(0.1)
        assert rig.down() == ("camera",)
        await CLOCK.sleep(2.5)
        assert rig.down() == ("camera",)
        await CLOCK.sleep(1.0)
        assert rig.down() == ()
        assert seen == ["the driver of the camera ended with code -9; it is started again in 1 s"]

    rehearsed(work)


def test_a_frame_that_waits_outlives_its_driver():
    async def work(devices: RehearsedDevices, rig: RigClient, seen: list[str]) -> None:
        await rig.camera.do(Connect(), 10.0)
        ref = await rig.camera.do(
            Expose(exposure_id="one", frame="light", exposure_s=5.0), timeout_s=60.0
        )
        await devices.crash("camera")
        await CLOCK.sleep(10.0)
        state = rig.camera.state
        assert state is not None
        assert state.waiting == (ref.sha256,)

    rehearsed(work)


def test_a_hung_driver_falls_silent_and_is_freed_or_started_again():
    async def work(devices: RehearsedDevices, rig: RigClient, seen: list[str]) -> None:
        await devices.hang("mount", True)
        assert rig.down() == ()  # it said that it is there, and nobody denied it
        await CLOCK.sleep(40.0)
        assert rig.down() == ("mount",)
        await devices.hang("mount", False)
        await CLOCK.sleep(1.0)
        assert rig.down() == ()
        await devices.hang("mount", True)
        await CLOCK.sleep(40.0)
        await devices.restart("mount")
        await CLOCK.sleep(1.0)
        assert rig.down() == ()
        assert seen == ["the driver of the mount was started again"]

    rehearsed(work)


def test_a_doomed_driver_keeps_dying_more_slowly_until_it_is_well():
    async def work(devices: RehearsedDevices, rig: RigClient, seen: list[str]) -> None:
        await devices.doom("focuser", True)
        await CLOCK.sleep(60.0)
        deaths = len(seen)
        assert 3 <= deaths <= 6
        assert "keeps dying" in seen[-1]
        await devices.doom("focuser", False)
        await CLOCK.sleep(100.0)
        assert len(seen) <= deaths + 1
        assert rig.down() == ()

    rehearsed(work, RestartRule(longest_pause_s=60.0))


def test_without_power_all_are_gone_and_come_back_together():
    async def work(devices: RehearsedDevices, rig: RigClient, seen: list[str]) -> None:
        await devices.cut_power()
        await CLOCK.sleep(60.0)
        assert set(rig.down()) == set(devices.roles)
        await devices.restore_power()
        await CLOCK.sleep(1.0)
        assert rig.down() == ()
        assert seen == []

    rehearsed(work)
