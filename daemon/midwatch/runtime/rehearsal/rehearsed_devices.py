"""The devices of a rehearsal: hosts in one process, that can die, hang and be started again.

What a host's death leaves is what the death of a real process would leave: the spool, the
keepsake, and whatever the hardware was doing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial
from typing import Self

import structlog

from midwatch.bus import MemoryBroker, MemoryBus
from midwatch.clock import Clock
from midwatch.devices.client import MemorySpool
from midwatch.devices.contract import MemoryKeptFacts
from midwatch.devices.host import DeviceHost, RestartRule, RigSetting, Supervision, device_host
from midwatch.tasks import end, start

_log = structlog.get_logger(__name__)

# What starting a process takes.
START_S = 2.0
# After a daemon that failed the devices have so long to come to rest; see `deviceprocesses`.
REST_S = 300.0

Inform = Callable[[str, str], None]


class _Seat:
    """One device: what outlives its host, and the host of the moment."""

    def __init__(self, role: str, rule: RestartRule) -> None:
        self.spool = MemorySpool(role)
        self.kept_facts = MemoryKeptFacts()
        self.supervision = Supervision(rule)
        self.bus: MemoryBus | None = None
        self.host: DeviceHost | None = None
        self.began_s = 0.0
        self.again: asyncio.Task[None] | None = None
        # It dies at once whenever it is started.
        self.doomed = False
        self.hung = False


class RehearsedDevices:
    """All device hosts of a rehearsal; entering starts them, leaving ends them.

    Attributes:
        inform: called with (role, what happened) when a driver ended or was started again.
    """

    def __init__(
        self,
        setting: RigSetting,
        broker: MemoryBroker,
        clock: Clock,
        seed: int,
        rule: RestartRule | None = None,
    ) -> None:
        self._setting = setting
        self._broker = broker
        self._clock = clock
        self._seed = seed
        self._powered = True
        self.inform: Inform = _ignore
        roles = setting.rig.devices.present()
        self._seats = {role: _Seat(role, rule or RestartRule()) for role in roles}

    @property
    def roles(self) -> tuple[str, ...]:
        """The devices whose drivers run here."""
        return tuple(self._seats)

    async def __aenter__(self) -> Self:
        for role in self._seats:
            await self._start(role)
        return self

    async def __aexit__(self, error: type[BaseException] | None, *_: object) -> None:
        for seat in self._seats.values():
            if seat.again is not None:
                await end(seat.again, reason="the rehearsal is over")
        if error is not None and issubclass(error, Exception):
            await self._rest()
        for seat in reversed(self._seats.values()):
            host, seat.host = seat.host, None
            if host is not None:
                await host.__aexit__(None, None, None)
            seat.spool.close()

    async def _rest(self) -> None:
        """Have the devices made safe, as the processes are asked to when the daemon has failed."""
        hosts = {role: seat.host for role, seat in self._seats.items() if seat.host is not None}
        resting = [start(f"rest of {role}", host.rest()) for role, host in hosts.items()]
        await asyncio.wait(resting, timeout=REST_S)
        await end(*resting, reason="they had their time")

    def inform_nobody(self) -> None:
        """Report on drivers to no one: the daemon is dead."""
        self.inform = _ignore

    async def crash(self, role: str, code: int = -9) -> None:
        """Have a driver's process die; it is started again after the pause that it deserves."""
        seat = self._seats[role]
        if seat.host is None:
            return
        verdict = seat.supervision.ended(self._clock.mono() - seat.began_s)
        await self._die(seat)
        loop = "; it keeps dying" if verdict.looping else ""
        self.inform(
            role,
            f"the driver of the {role} ended with code {code}{loop}; it is started again in "
            f"{verdict.pause_s:.0f} s",
        )
        self._later(role, verdict.pause_s + START_S)

    async def restart(self, role: str) -> None:
        """End the driver of a device, whatever it is doing, and have it started again at once.

        Raises:
            KeyError: the rig has no such device.
        """
        seat = self._seats[role]
        if not self._powered:
            return
        if seat.again is not None:
            seat.again.cancel()
        await self._die(seat)
        seat.hung = False
        await self._clock.sleep(START_S)
        if self._powered and seat.host is None:
            await self._start(role)
        self.inform(role, f"the driver of the {role} was started again")

    async def hang(self, role: str, on: bool) -> None:
        """Have a driver's process stop answering, or go on; its hardware knows nothing of it."""
        seat = self._seats[role]
        if on and seat.bus is not None:
            seat.hung = True
            seat.bus.cut()
        elif not on and seat.hung and seat.bus is not None:
            seat.hung = False
            await seat.bus.restore()

    async def doom(self, role: str, on: bool) -> None:
        """Have a driver die soon after each start, or be well again."""
        self._seats[role].doomed = on
        if on:
            await self.crash(role)

    async def cut_power(self) -> None:
        """Have every driver die at once."""
        self._powered = False
        for seat in self._seats.values():
            if seat.again is not None:
                seat.again.cancel()
            await self._die(seat)

    async def restore_power(self) -> None:
        """Start every driver again, as the system does after a boot."""
        self._powered = True
        for role, seat in self._seats.items():
            if seat.host is None:
                await self._start(role)

    async def _start(self, role: str) -> None:
        seat = self._seats[role]
        seat.bus = MemoryBus(self._broker, role)
        host = device_host(
            role, self._setting, bus=seat.bus, clock=self._clock, seed=self._seed,
            spool=seat.spool, kept_facts=seat.kept_facts,
        )  # fmt: skip
        seat.began_s = self._clock.mono()
        seat.host = await host.__aenter__()
        host.on_end(partial(self._ended, role, host))
        if seat.doomed:
            seat.again = start(f"doom of {role}", self._die_soon(role))

    def _ended(self, role: str, host: DeviceHost) -> None:
        """Have a driver whose host has failed by itself started again."""
        seat = self._seats[role]
        if seat.host is host:
            seat.again = start(f"crash of {role}", self.crash(role, code=1))

    async def _die_soon(self, role: str) -> None:
        await self._clock.sleep(START_S)
        # The task that ends itself must not be cancelled by what it starts.
        self._seats[role].again = None
        await self.crash(role)

    async def _die(self, seat: _Seat) -> None:
        """End a host as a kill does: the broker publishes its last will, nothing else is said."""
        host, seat.host = seat.host, None
        if host is None or seat.bus is None:
            return
        seat.bus.drop()
        try:
            await host.__aexit__(None, None, None)
        except Exception:  # whatever a dying process says is lost
            _log.debug("host_died_loudly", exc_info=True)

    def _later(self, role: str, pause_s: float) -> None:
        async def again() -> None:
            await self._clock.sleep(pause_s)
            if self._powered and self._seats[role].host is None:
                await self._start(role)

        if self._powered:
            self._seats[role].again = start(f"restart of {role}", again())


def _ignore(_role: str, _message: str) -> None:
    """Ignore what happens to a driver."""
