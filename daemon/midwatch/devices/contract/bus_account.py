"""What a driver host can report about the bus: messages turned away, commanders, silences."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping

from pydantic import Field

from midwatch.clock import Clock
from midwatch.devices.contract.base import Model

__all__ = ["HostBook", "HostReport"]

# A host may run for weeks: only the latest are kept.
_MOST_NAMES = 32
_MOST_SILENCES = 16

SilenceTimes = tuple[float, float, float | None, float | None]


class HostReport(Model):
    """An account of a host since it was started; times are POSIX seconds UTC by its own clock.

    Attributes:
        counts: messages that were not done, by the reason.
        holders: under whose lease commands were done, and since when.
        senders: who gave commands that were done.
        silences: when the lease was last received, when that was noticed, when the device was at
            rest, when a lease was received again; None for what has not happened.
    """

    since_utc_s: float
    lease_s: float
    counts: dict[str, int] = Field(default_factory=dict)
    holders: tuple[tuple[str, float], ...] = ()
    senders: tuple[str, ...] = ()
    silences: tuple[SilenceTimes, ...] = ()


class HostBook:
    """Keeps the account of one host.

    Attributes:
        changed: set when there is something new to report.
    """

    def __init__(
        self, clock: Clock, lease_s: float, counts: Callable[[], Mapping[str, int]]
    ) -> None:
        self.changed = asyncio.Event()
        self._clock = clock
        self._lease_s = lease_s
        self._counts = counts
        self._since_utc_s = self._heard_utc_s = self._now_s()
        self._holders: dict[str, float] = {}
        self._senders: dict[str, None] = {}
        self._silences: deque[SilenceTimes] = deque(maxlen=_MOST_SILENCES)

    def report(self) -> HostReport:
        """Return the account as it is now."""
        return HostReport(
            since_utc_s=self._since_utc_s,
            lease_s=self._lease_s,
            counts=dict(self._counts()),
            holders=tuple(self._holders.items()),
            senders=tuple(self._senders),
            silences=tuple(self._silences),
        )

    def obeyed(self, holder: str | None, sender: str) -> None:
        """Note that a command is done, and by whose right."""
        if holder is not None and holder not in self._holders:
            if len(self._holders) >= _MOST_NAMES:
                del self._holders[next(iter(self._holders))]
            self._holders[holder] = self._now_s()
            self.changed.set()
        if sender not in self._senders:
            if len(self._senders) >= _MOST_NAMES:
                del self._senders[next(iter(self._senders))]
            self._senders[sender] = None
            self.changed.set()

    def heard(self) -> None:
        """Note that a lease was received: a silence is over."""
        self._heard_utc_s = self._now_s()
        if self._silences and self._silences[-1][3] is None:
            self._silences[-1] = (*self._silences[-1][:3], self._heard_utc_s)
            self.changed.set()

    def silent(self, *, at_rest: bool) -> None:
        """Note that the lease has ended, and whether the device is at rest by now."""
        now_s = self._now_s()
        if not self._silences or self._silences[-1][3] is not None:
            self._silences.append((self._heard_utc_s, now_s, None, None))
            self.changed.set()
        heard_s, noticed_s, rest_s, _ = self._silences[-1]
        if at_rest and rest_s is None:
            self._silences[-1] = (heard_s, noticed_s, now_s, None)
            self.changed.set()

    def _now_s(self) -> float:
        return round(self._clock.unix_s(), 3)
