"""The other devices of a rig, as a driver sees and commands them over the bus.

A driver that works through other devices (a guider has a camera and moves the mount) does so as
any participant: by commands that their hosts judge. It does not hold the lease. Its commands
carry the lease that its own host receives, so that they end with the daemon's.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any

from midwatch.bus import Bus, Caller, Topics
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, LeaseWatch, listen_to
from midwatch.devices.contract import DeviceState, kind_of
from midwatch.tasks import for_ever


class HeardLease:
    """The lease as a host receives it: passed on, never renewed."""

    def __init__(self, watch: LeaseWatch) -> None:
        self._watch = watch

    @property
    def token(self) -> str | None:
        """The holder's name while the lease is held, else None."""
        holder = self._watch.holder
        return holder if self._watch.held_by(holder) else None

    async def renew(self) -> None:
        """Do nothing: only its holder renews a lease."""


class Peers:
    """Finds the other devices of a rig for one driver; costs nothing until one is asked for.

    Args:
        spawn: run a coroutine as a task of the host.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        clock: Clock,
        seed: int,
        heartbeat_s: float,
        lease: LeaseWatch,
        spawn: Callable[[str, Coroutine[Any, Any, None]], None],
    ) -> None:
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._seed = seed
        self._heartbeat_s = heartbeat_s
        self._lease = HeardLease(lease)
        self._spawn = spawn
        self._caller: Caller | None = None
        self._found: dict[str, DeviceClient[DeviceState]] = {}

    def find(self, role: str) -> DeviceClient[DeviceState]:
        """Return the device with a role; the same one each time, also before its first message.

        Raises:
            ValueError: there is no such role.
        """
        if role not in self._found:
            kind = kind_of(role)
            if self._caller is None:
                # A host that comes up again within a minute must not reuse its ids.
                ids = self._seed + round(self._clock.unix_s() * 1000.0)
                self._caller = Caller(self._bus, self._topics, self._clock, ids)
                self._spawn("answers of other devices", self._hear_answers(self._caller))
            client = self._found[role] = DeviceClient[DeviceState](
                self._bus, self._topics, self._caller, self._clock, role, kind,
                self._heartbeat_s, self._lease,
            )  # fmt: skip
            name = f"states of {role}"
            self._spawn(name, for_ever(name, partial(listen_to, self._bus, (client,))))
        return self._found[role]

    async def _hear_answers(self, caller: Caller) -> None:
        async with caller:
            await caller.serve()
