"""What device hosts and their clients cost in a rehearsed night, in processor time.

Run with: python tests/benchmarks/bench_devices.py
"""

from __future__ import annotations

import cProfile
import pstats
import sys
import time
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from midwatch.bus import Caller, MemoryBroker, MemoryBus, Topics
from midwatch.clock import VirtualClock
from midwatch.devices.client import LeaseHolder, MemorySpool, RigClient
from midwatch.devices.contract import STATES, Command, DeviceAbout, DeviceState, DriverContext, Kind
from midwatch.devices.contract.kinds import Pulse, Slew, Unpark
from midwatch.devices.host import DeviceHost, HostedDevice, HostSetting
from midwatch.sky import Horizon, LimitCheck, MountLimits, Observer, seconds_until_breach
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch.virtual_time import run_virtual
from support.device_toys import PLACE, ToyMount, at_hour_angle

NIGHT_S = 36_000.0
START = datetime(2027, 3, 10, 18, tzinfo=UTC)
LIMITS = MountLimits(
    horizon=Horizon.flat(15.0), geometry=GermanEquatorial(180), sun_min_sep_deg=40.0
)


class Still:
    """A device that does nothing, so that only the host costs."""

    def __init__(self, context: DriverContext) -> None:
        self.kind = Kind(context.name)
        self._state = STATES[self.kind](connected=True)

    def about(self) -> DeviceAbout:
        return DeviceAbout(kind=self.kind, driver="still")

    def state(self) -> DeviceState:
        return self._state

    async def perform(self, command: Command[Any]) -> None:
        del command

    async def make_safe(self, reason: str) -> None:
        del reason

    async def close(self) -> None:
        pass


async def night(pulses: int) -> None:
    clock, broker, topics = VirtualClock(START), MemoryBroker(), Topics("Hill", "Rig")
    async with AsyncExitStack() as stack:
        for kind in Kind:
            host = DeviceHost(
                MemoryBus(broker, f"host-{kind}"),
                topics,
                clock,
                HostedDevice(
                    name=kind.value,
                    driver_name="still",
                    factory=ToyMount if kind is Kind.MOUNT else Still,
                    options={},
                    spool=MemorySpool(kind.value),
                    seed=1,
                ),
                HostSetting(
                    place=PLACE,
                    heartbeat_s=10.0,
                    lease_s=60.0,
                    limits=LIMITS,
                ),
            )  # fmt: skip
            await stack.enter_async_context(host)
        bus = await stack.enter_async_context(MemoryBus(broker, "daemon"))
        caller = await stack.enter_async_context(Caller(bus, topics, clock, 1))
        lease = await stack.enter_async_context(LeaseHolder(bus, topics, clock, "daemon", 60.0))
        rig = RigClient(bus, topics, caller, clock, [k.value for k in Kind], 10.0, lease)
        await stack.enter_async_context(rig)
        assert await rig.wait_online(30) == ()
        await rig.mount.do(Unpark(), 10)
        await rig.mount.do(Slew(ra_deg=at_hour_angle(START, -90, 75), dec_deg=75), 60)
        for _ in range(pulses):
            await rig.mount.do(Pulse(direction="north", duration_ms=100), 10)
            await clock.sleep(NIGHT_S / pulses - 0.1)
        await clock.sleep(NIGHT_S - clock.mono())
        assert rig.mount.state is not None
        assert rig.mount.state.tracking
        assert rig.down() == ()


def per_call_us(function: Any, count: int) -> float:
    began = time.process_time()
    for i in range(count):
        function(i)
    return (time.process_time() - began) / count * 1e6


def main() -> None:
    for pulses in (1, 3000):
        began = time.process_time()
        run_virtual(lambda pulses=pulses: night(pulses))
        print(f"night of 9 devices, {pulses} commands: {time.process_time() - began:.2f} s")
    observer, now = Observer(PLACE), START.timestamp()
    check = LimitCheck(observer, LIMITS.drawn_in(0.03))
    cost = per_call_us(lambda i: check.breach(80, 40, now + i, "west"), 20_000)
    print(f"limit check: {cost:.1f} us")
    plan = per_call_us(
        lambda i: seconds_until_breach(observer, LIMITS, 80, 40, now + i, "west", 3720), 100
    )
    print(f"plan of an hour: {plan:.0f} us")
    if "--profile" in sys.argv:
        profile = cProfile.Profile()
        profile.runcall(run_virtual, lambda: night(3000))
        pstats.Stats(profile).sort_stats("tottime").print_stats(30)


if __name__ == "__main__":
    main()
