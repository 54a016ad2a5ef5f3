"""Brings about the faults of a rehearsal: of processes, of the bus, of the daemon's machine.

Faults of devices are shown by the simulated devices themselves (see `faulty_rig`).
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from typing import Any

import structlog

from midwatch.bus import Disturbance, DisturbedBroker
from midwatch.clock import Clock, ShiftedClock
from midwatch.orders.injected import FAULT_KINDS, STEP_S, ScheduledFault
from midwatch.runtime.rehearsal.daemon_life import Disk, Life
from midwatch.runtime.rehearsal.rehearsed_devices import RehearsedDevices
from midwatch.tasks import end, start

__all__ = ["FaultStage", "Lives"]

_log = structlog.get_logger(__name__)

# Common practice, no source: a bad link loses some percent, a congested one takes seconds.
_DISTURBANCES = {
    "bus-latency": Disturbance(latency_s=2.0),
    "bus-loss": Disturbance(loss=0.1),
    "bus-duplicates": Disturbance(duplicates=1.0),
    "bus-reordering": Disturbance(latency_s=0.5, reordering=True),
}
_SLOW_DISK_S = 20.0
# After the power is back: starting the machine, then the daemon.
_BOOT_S = 40.0

OrderByHand = Callable[[str], Awaitable[None]]


class Lives:
    """Runs the daemon, life after life, until one of them ends the night.

    Args:
        make: the next life.
        conduct: what a life does.
    """

    def __init__(
        self, make: Callable[[], Life], conduct: Callable[[Life], Coroutine[Any, Any, None]]
    ) -> None:
        self._make = make
        self._conduct = conduct
        self._dead = asyncio.Event()
        self._alive = asyncio.Event()
        self._alive.set()
        self.life: Life | None = None
        self.count = 0

    async def run(self) -> None:
        """Return when a life has ended the night; what it raises is raised."""
        while True:
            await self._alive.wait()
            self.life = life = self._make()
            self.count += 1
            task = start("daemon", self._conduct(life))
            killed = start("kill of the daemon", self._dead.wait())
            try:
                await asyncio.wait({task, killed}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                killed.cancel()
            if task.done():
                task.result()
                return
            life.kill()
            await end(task, reason="killed")

    def kill(self) -> None:
        """Have the daemon die; it stays dead until `revive`."""
        self._alive.clear()
        self._dead.set()

    def revive(self) -> None:
        """Have the daemon started again."""
        self._dead.clear()
        self._alive.set()


class FaultStage:
    """Begins and ends faults at their instants.

    Args:
        faults: those of devices are left out.
        clock: true time.
        machine: the clock of the daemon's machine.
        order_by_hand: gives the daemon what a person would (bad orders, conflicting commands
            ...), by the name of the fault.
    """

    def __init__(
        self,
        faults: Sequence[ScheduledFault],
        *,
        clock: Clock,
        machine: ShiftedClock,
        broker: DisturbedBroker,
        devices: RehearsedDevices,
        disk: Disk,
        lives: Lives,
        order_by_hand: OrderByHand,
    ) -> None:
        self._faults = [f for f in faults if FAULT_KINDS[f.name].where != "device"]
        self._clock = clock
        self._machine = machine
        self._broker = broker
        self._devices = devices
        self._disk = disk
        self._lives = lives
        self._order_by_hand = order_by_hand
        # How many faults of a kind are active: they may overlap.
        self._standing: dict[str, int] = {}

    async def run(self) -> None:
        """Bring about everything in its time."""
        async with asyncio.TaskGroup() as tasks:
            for fault in self._faults:
                start(f"fault {fault.name}", self._play(fault), tasks)

    async def _play(self, fault: ScheduledFault) -> None:
        await self._until(fault.from_utc_s)
        _log.info("fault_begins", fault=fault.name)
        self._standing[fault.name] = self._standing.get(fault.name, 0) + 1
        await self._turn(fault.name, True)
        if fault.until_utc_s == math.inf:
            return
        await self._until(fault.until_utc_s)
        self._standing[fault.name] -= 1
        if not self._standing[fault.name] and fault.until_utc_s > fault.from_utc_s:
            _log.info("fault_ends", fault=fault.name)
            await self._turn(fault.name, False)

    async def _until(self, utc_s: float) -> None:
        await self._clock.sleep(max(0.0, utc_s - self._clock.unix_s()))

    async def _turn(self, name: str, on: bool) -> None:
        kind = FAULT_KINDS[name]
        if kind.where == "process":
            await self._process(name, on)
        elif kind.where == "bus":
            await self._bus(name, on)
        elif kind.where == "host":
            await self._host(name, on)
        elif on:
            await self._order_by_hand(name)

    async def _process(self, name: str, on: bool) -> None:
        role, _, what = name.partition("-driver-")
        if role not in self._devices.roles:
            return
        if what == "hang":
            await self._devices.hang(role, on)
        elif what == "crash-loop":
            await self._devices.doom(role, on)
        elif on:
            # Grown too large, it is ended by what minds it; what follows is a crash.
            await self._devices.crash(role)

    async def _bus(self, name: str, on: bool) -> None:
        if name in _DISTURBANCES:
            self._broker.disturb(name, _DISTURBANCES[name] if on else None)
        elif name == "retained-lost":
            self._broker.forget_retained()
        elif name == "bus-partition":
            await self._cut_off(on)
        elif on:
            self._broker.stop()
        else:
            await self._broker.start()

    async def _cut_off(self, on: bool) -> None:
        life = self._lives.life
        if life is None:
            return
        if on:
            life.bus.drop()
        else:
            await life.bus.restore()

    async def _host(self, name: str, on: bool) -> None:
        if name in STEP_S:
            self._machine.shift_s += STEP_S[name] if on else -STEP_S[name]
        elif name == "slow-disk":
            self._disk.delay_s = _SLOW_DISK_S if on else 0.0
        elif name.startswith("disk-"):
            self._disk.state = "sound" if not on else "full" if name == "disk-full" else "read_only"
        elif name == "suspend":
            await self._cut_off(on)
        elif name == "daemon-killed":
            (self._lives.kill if on else self._lives.revive)()
        elif on:
            self._lives.kill()
            await self._devices.cut_power()
            self._broker.stop()
        else:
            await self._broker.start()
            await self._devices.restore_power()
            await self._clock.sleep(_BOOT_S)
            self._lives.revive()
