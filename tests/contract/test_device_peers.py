"""A driver that works through another device, over every bus and under the lease."""

from __future__ import annotations

from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

import pytest

from contract.bus_benches import EmbeddedBench, MemoryBench, MosquittoBench
from midwatch.bus import Caller, CommandError, ErrorKind, Topics
from midwatch.clock import VirtualClock
from midwatch.devices.client import DeviceClient, LeaseHolder, MemorySpool
from midwatch.devices.contract import (
    Command,
    Connect,
    DeviceAbout,
    DeviceError,
    DriverContext,
    Kind,
)
from midwatch.devices.contract.kinds import GuiderState, Pulse, Settle, StartGuiding, StopGuiding
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from midwatch.sky import Horizon, MountLimits
from midwatch.sky.mounts.german import GermanEquatorial
from support.device_toys import PLACE, START, ToyMount, at_hour_angle
from support.pace import LIMIT_S

TOPICS = Topics("Toy Hill", "Toy Rig")
LEASE_S = 2.0
SETTLE = Settle(under_arcsec=1.0, hold_s=1.0, timeout_s=5.0)
LIMITS = MountLimits(Horizon(((0.0, 0.0), (180.0, 0.0))), 15.0, GermanEquatorial(5.0, 2.5), 40.0)


class ToyGuider:
    """Each start sends the mount one pulse."""

    kind = Kind.GUIDER

    def __init__(self, context: DriverContext) -> None:
        self.context = context
        self.mount = context.peer("mount")
        assert context.peer("mount") is self.mount
        self.now = GuiderState(connected=True)

    def about(self) -> DeviceAbout:
        return DeviceAbout(kind=self.kind, driver="toy")

    def state(self) -> GuiderState:
        return self.now

    async def perform(self, command: Command[Any]) -> None:
        match command:
            case StartGuiding():
                if self.mount.state is None or self.mount.down:
                    raise DeviceError("no mount is heard of")
                await self.mount.do(Pulse(direction="north", duration_ms=100), LIMIT_S)
                self.now = GuiderState(connected=True, at_rest=False, phase="guiding")
            case StopGuiding():  # after the lease: the mount must refuse
                await self.mount.do(Pulse(direction="south", duration_ms=100), LIMIT_S)
            case Connect():
                pass
            case _:
                raise RuntimeError(f"unexpected {command}")

    async def make_safe(self, reason: str) -> None:
        del reason
        try:
            await self.mount.do(Pulse(direction="south", duration_ms=100), LIMIT_S)
        except CommandError as error:
            self.context.emit("refused", {"kind": error.kind.value})
        self.now = GuiderState(connected=True)

    async def close(self) -> None:
        pass


@pytest.fixture(params=[MemoryBench, EmbeddedBench, MosquittoBench], ids=lambda b: b.__name__)
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    return request.param() if request.param is MemoryBench else request.param(tmp_path)


class NearMount(ToyMount):
    """Counts the pulses that its host let through."""

    pulses = 0

    async def perform(self, command: Command[Any]) -> Any:
        if isinstance(command, Pulse):
            type(self).pulses += 1
        return await super().perform(command)


def host(bench: Any, name: str, factory: Any, clock: Any, limits: Any = None) -> DeviceHost:
    return DeviceHost(
        bench.bus(f"host-{name}"),
        TOPICS,
        clock,
        HostedDevice(
            name=name,
            driver_name="toy",
            factory=factory,
            options={},
            spool=MemorySpool(f"peer {name}"),
            seed=1,
        ),
        HostSetting(
            place=PLACE,
            heartbeat_s=0.3,
            lease_s=LEASE_S,
            limits=limits,
        ),
    )  # fmt: skip


def test_a_driver_commands_another_device_as_long_as_the_lease_lives(bench: Any) -> None:
    NearMount.pulses = 0

    async def main() -> Any:
        async with AsyncExitStack() as stack:
            hosts = [
                await stack.enter_async_context(host(bench, name, factory, bench.clock))
                for name, factory in (("guider", ToyGuider), ("mount", NearMount))
            ]
            bus = await stack.enter_async_context(bench.bus("daemon"))
            await bus.wait_connected(LIMIT_S)
            caller = await stack.enter_async_context(Caller(bus, TOPICS, bench.clock, 1))
            lease = LeaseHolder(bus, TOPICS, bench.clock, "daemon", LEASE_S)
            guider: DeviceClient[Any] = DeviceClient(
                bus, TOPICS, caller, bench.clock, "guider", Kind.GUIDER, 0.3, lease
            )
            refused: list[Any] = []
            guider.on_event(lambda name, facts: refused.append((name, facts.get("kind"))))
            await guider.start()
            stack.push_async_callback(guider.stop)
            await lease.start()
            async with bench.clock.timeout(LIMIT_S):
                while guider.down:
                    await bench.clock.sleep(0.05)
                seen = hosts[0].driver.mount
                while seen.state is None or seen.down:
                    await bench.clock.sleep(0.05)
                await guider.do(StartGuiding(settle=SETTLE), LIMIT_S)
                phase = guider.state.phase
                through = NearMount.pulses
                await lease.stop()
                # The guider's host makes it safe when the lease is silent; by then the mount
                # takes nothing from anybody.
                while not any(name == "refused" for name, _ in refused):
                    await bench.clock.sleep(0.1)
            return phase, through, NearMount.pulses, refused

    phase, through, pulses, refused = bench.run(main)
    assert phase == "guiding"
    assert (through, pulses) == (1, 1)
    assert ("refused", ErrorKind.NO_LEASE.value) in refused


def test_pulses_of_a_guider_are_refused_beyond_the_limits_of_the_mount() -> None:
    """The mount's own host judges: a guider cannot push it over the edge."""
    bench = MemoryBench()
    NearMount.pulses = 0

    async def main() -> Any:
        clock = VirtualClock(START)
        async with AsyncExitStack() as stack:
            mount = host(bench, "mount", NearMount, clock, LIMITS)
            for each in (host(bench, "guider", ToyGuider, clock), mount):
                await stack.enter_async_context(each)
            bus = await stack.enter_async_context(bench.bus("daemon"))
            caller = await stack.enter_async_context(Caller(bus, TOPICS, clock, 1))
            lease = await stack.enter_async_context(
                LeaseHolder(bus, TOPICS, clock, "daemon", LEASE_S)
            )
            said = []
            # Just inside the meridian limit of an unflipped telescope, and just outside of it.
            for ha_deg in (4.5, 5.5):
                ra_deg = at_hour_angle(START, ha_deg, 30.0)
                mount.driver.become(
                    parked=False, tracking=True, ra_deg=ra_deg, dec_deg=30.0, pier_side="west"
                )
                guider: DeviceClient[Any] = DeviceClient(
                    bus, TOPICS, caller, clock, "guider", Kind.GUIDER, 0.3, lease
                )
                await clock.sleep(0.05)
                try:
                    await guider.do(StartGuiding(settle=SETTLE), 5)
                    said.append("done")
                except CommandError as error:
                    said.append(str(error))
            return said

    inside, outside = bench.run(main)
    assert inside == "done"
    assert "hour angle +5.50 deg is past the limit" in outside
    assert NearMount.pulses == 1


def test_an_unknown_role_is_named(tmp_path: Path) -> None:
    bench = MemoryBench()

    class Lost(ToyGuider):
        def __init__(self, context: DriverContext) -> None:
            context.peer("kettle")

    async def main() -> None:
        async with host(bench, "guider", Lost, bench.clock):
            pass

    with pytest.raises(Exception, match=r"kettle.*roles are mount, camera"):
        bench.run(main)
