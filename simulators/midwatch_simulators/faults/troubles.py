"""Faults that a simulated device shows on purpose, at set instants."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from pydantic import Field

from midwatch.clock import Clock
from midwatch.devices.contract import Model


class FaultSpan(Model):
    """One fault: from when until when, POSIX seconds; None for good, equal for an instant."""

    name: str
    from_utc_s: float
    until_utc_s: float | None = None

    @property
    def end_utc_s(self) -> float:
        """When it ends; infinity for good."""
        return math.inf if self.until_utc_s is None else self.until_utc_s


class Faulty(Model):
    """The part of a device's settings that says what goes wrong with it.

    Attributes:
        faults: what goes wrong, and when; several of one name may overlap.
    """

    faults: tuple[FaultSpan, ...] = Field(default=())


class Troubles:
    """The faults of one device, asked for by name.

    A fault that is over in an instant is never active; it is only passed to `watch`.
    """

    def __init__(self, spans: Sequence[FaultSpan], clock: Clock) -> None:
        self._spans = tuple(spans)
        self._clock = clock
        self.names = frozenset(span.name for span in spans)

    def spans(self, name: str) -> tuple[FaultSpan, ...]:
        """Return when a fault holds."""
        return tuple(span for span in self._spans if span.name == name)

    def active(self, name: str) -> bool:
        """Return whether a fault holds now."""
        return name in self.names and self.active_at(name, self._clock.unix_s())

    def active_at(self, name: str, utc_s: float) -> bool:
        """Return whether a fault holds, or held, at an instant."""
        return any(
            span.name == name and span.from_utc_s <= utc_s < span.end_utc_s for span in self._spans
        )

    def since_utc_s(self, name: str) -> float | None:
        """Return when the fault that holds now began; None while it does not hold."""
        now_s = self._clock.unix_s()
        begun = [
            span.from_utc_s
            for span in self._spans
            if span.name == name and span.from_utc_s <= now_s < span.end_utc_s
        ]
        return min(begun, default=None)

    def cure(self, name: str) -> None:
        """End a fault that holds now, before its time."""
        now_s = self._clock.unix_s()
        self._spans = tuple(
            span.model_copy(update={"until_utc_s": now_s})
            if span.name == name and span.from_utc_s <= now_s < span.end_utc_s
            else span
            for span in self._spans
        )

    async def watch(self, call: Callable[[str, bool], None]) -> None:
        """Call with (name, True) as each fault begins and (name, False) as it ends."""
        moments = sorted(
            (at_s, turn, span.name)
            for span in self._spans
            for at_s, turn in ((span.from_utc_s, 0), (span.end_utc_s, 1))
            if math.isfinite(at_s) and (turn == 0 or at_s > span.from_utc_s)
        )
        for at_s, turn, name in moments:
            late_s = self._clock.unix_s() - at_s
            if late_s > 0.0 and (turn == 1 or not self.active(name)):
                # Over before the driver came up.
                continue
            while (left_s := at_s - self._clock.unix_s()) > 0.0:
                await self._clock.sleep(left_s)
            call(name, turn == 0)
