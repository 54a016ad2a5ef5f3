"""The lease: who may command the devices, and for how long after it was last received.

The daemon renews its lease on the bus. Each driver host judges it alone, by the time that has
passed since a renewal arrived on its own monotonic clock, so that no stamp, no clock that is off
and no dead daemon can keep a device under way.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from functools import lru_cache
from typing import Self

import structlog

from midwatch.bus import (
    Bus,
    BusUnavailableError,
    Lease,
    MalformedError,
    Message,
    Topics,
    decode,
    encode,
)
from midwatch.clock import Clock, lateness_s
from midwatch.tasks import Tasks, end

# Renewals within the life of a lease. Fewer lets one lost message come near to the end of it;
# more only costs messages.
RENEWALS = 4

_log = structlog.get_logger(__name__)


@lru_cache(maxsize=8)
def _read(payload: bytes) -> Lease:
    # Every device of a process receives the same bytes: they are decoded once.
    return decode(Lease, payload)


class LeaseWatch:
    """A driver host's judgement of the lease.

    A lease ends `ttl_s` after its last renewal arrived, `lease_s` at the latest, in scaled time
    later by what the machine may be late. Until then
    no one else can take it over. A release (a renewal of zero seconds) ends it at once.

    Attributes:
        holder: who holds the lease, or held it last; None after a release.
        malformed: messages that were no lease.
        refused: renewals by others while the lease was held.
        begun_again: whether the last renewal that counted was the first of its holder's life.
    """

    def __init__(self, clock: Clock, lease_s: float) -> None:
        if not (math.isfinite(lease_s) and lease_s > 0):
            raise ValueError(f"lease_s must be a positive number, not {lease_s}")
        self.lease_s = lease_s
        self.holder: str | None = None
        self.malformed = 0
        self.refused = 0
        self.begun_again = False
        self._seq = 0
        self._clock = clock
        self._ends_mono_s = -math.inf
        self._silent_mono_s = clock.mono() + lease_s + lateness_s(clock)

    def take(self, message: Message) -> bool:
        """Take in a message from the lease's topic; return whether it counted.

        A message that the broker had kept does not: its age is not known.
        """
        if message.retain:
            return False
        try:
            lease = _read(message.payload)
        except MalformedError:
            self.malformed += 1
            return False
        now_s = self._clock.mono()
        if lease.holder != self.holder and (now_s < self._ends_mono_s or lease.ttl_s == 0):
            self.refused += 1
            return False
        # The next life of a daemon may bear the same name, but counts from the beginning.
        self.begun_again = lease.holder != self.holder or lease.seq == 1 or lease.seq < self._seq
        self._seq = lease.seq
        self.holder = lease.holder if lease.ttl_s > 0 else None
        late_s = lateness_s(self._clock) if lease.ttl_s > 0 else 0.0
        self._ends_mono_s = now_s + min(lease.ttl_s, self.lease_s) + late_s
        self._silent_mono_s = now_s + self.lease_s + lateness_s(self._clock)
        return True

    def held_by(self, token: str | None) -> bool:
        """Whether `token` names the holder of a lease that has not ended."""
        return token is not None and token == self.holder and self._clock.mono() < self._ends_mono_s

    def silent_in_s(self) -> float:
        """Seconds until no renewal will have counted for `lease_s`; not positive when it is so.

        Before the first renewal it counts from the start of the watch.
        """
        return self._silent_mono_s - self._clock.mono()


class LeaseHolder:
    """Keeps a lease: announces it at once and then four times within its life.

    `holder` must be unique among all who may command the rig. Leaving an `async with` releases.
    `tasks` keeps the task that renews it; one of its own by default.

    Attributes:
        heard_again: called with seconds once the lease is announced that could not be for longer
            than it lasts.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        clock: Clock,
        holder: str,
        ttl_s: float,
        tasks: Tasks | None = None,
    ) -> None:
        if not (math.isfinite(ttl_s) and ttl_s > 0):
            raise ValueError(f"ttl_s must be a positive number, not {ttl_s}")
        self.holder = holder
        self.ttl_s = ttl_s
        self._bus = bus
        self._topic = topics.night_lease
        self._clock = clock
        self._seq = 0
        self._announced_mono_s = math.inf
        self._tasks = tasks or Tasks(clock)
        self._task: asyncio.Task[None] | None = None
        self.heard_again: Callable[[float], None] = lambda _unheard_s: None
        bus.on_connect(self.renew)

    @property
    def unheard_s(self) -> float:
        """Seconds since the lease was last announced; not positive before the first time."""
        return self._clock.mono() - self._announced_mono_s

    @property
    def token(self) -> str | None:
        """What commands carry: the holder's name while the lease is kept, else None."""
        return None if self._task is None else self.holder

    async def start(self) -> None:
        """Announce the lease and go on renewing it; starting twice is harmless."""
        if self._task is None:
            await self._announce(self.ttl_s)
            name = f"lease of {self.holder}"
            self._task = self._tasks.keep(name, self._keep_renewing, "leave")

    async def stop(self) -> None:
        """Renew no more, without a word; the lease then runs out by itself."""
        task, self._task = self._task, None
        if task is not None:
            await end(task, reason="the lease is renewed no more")

    async def renew(self) -> None:
        """Announce the lease now, if it is held."""
        if self._task is not None:
            await self._announce(self.ttl_s)

    async def release(self) -> None:
        """Give the lease back, so that another may take it at once."""
        if self._task is not None:
            await self.stop()
            await self._announce(0.0)

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.release()

    async def _keep_renewing(self) -> None:
        while True:
            await self._clock.sleep(self.ttl_s / RENEWALS)
            await self._announce(self.ttl_s)

    async def _announce(self, ttl_s: float) -> None:
        self._seq += 1
        lease = Lease(holder=self.holder, seq=self._seq, at=self._clock.now(), ttl_s=ttl_s)
        try:
            await self._bus.publish(self._topic, encode(lease))
        except BusUnavailableError:
            _log.warning("lease_not_announced", holder=self.holder, seq=self._seq)
            return
        unheard_s, self._announced_mono_s = self.unheard_s, self._clock.mono()
        if unheard_s > self.ttl_s:
            self.heard_again(unheard_s)
