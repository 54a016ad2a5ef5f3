"""How long duties take, learned from the nights before and this one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from midwatch.journal.facts import DutyEnded, FrameBegun, FrameRead, NightBegan
from midwatch.journal.store import Event

__all__ = ["FRAME_OVERHEAD", "LearnedDurations"]

# The duration that is learned from frames instead of duties: from the command to the read-out
# pixels, less the exposure itself.
FRAME_OVERHEAD = "frame_overhead"

# Latest durations of a duty that count. Too few make the percentile jumpy; too many keep an old
# rig's habits alive after it was changed.
_KEPT = 60
# Durations from which a duty is judged by them alone; below, the default still has a say.
_ENOUGH = 3
_HIGH = 0.9


@dataclass(frozen=True)
class LearnedDurations:
    """Durations of duties in seconds, oldest first, with defaults for those not seen yet."""

    observed: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    defaults: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def from_events(
        cls, events: Iterable[Event], defaults: Mapping[str, float] | None = None
    ) -> LearnedDurations:
        """Learn from the duties that were done, of any number of nights, oldest first.

        Failed and cancelled duties teach nothing: they end early or late for other reasons. Nor
        does a frame that waited in the spool for a new daemon.
        """
        observed: dict[str, list[float]] = {}
        begun: dict[str, tuple[float, float]] = {}
        for event in events:
            fact = event.fact
            if isinstance(fact, DutyEnded) and fact.outcome == "done":
                observed.setdefault(fact.duty, []).append(fact.took_s)
            elif isinstance(fact, NightBegan):
                begun.clear()
            elif isinstance(fact, FrameBegun):
                begun[fact.exposure_id] = (event.at_utc_s, fact.exposure_s)
            elif isinstance(fact, FrameRead) and fact.exposure_id in begun:
                at_utc_s, exposure_s = begun.pop(fact.exposure_id)
                overhead_s = max(0.0, event.at_utc_s - at_utc_s - exposure_s)
                observed.setdefault(FRAME_OVERHEAD, []).append(overhead_s)
        kept = {duty: tuple(took[-_KEPT:]) for duty, took in observed.items()}
        return cls(kept, dict(defaults or {}))

    def with_duration(self, duty: str, took_s: float) -> LearnedDurations:
        """Return the same with one more duration."""
        took = (*self.observed.get(duty, ()), took_s)[-_KEPT:]
        return LearnedDurations({**self.observed, duty: took}, self.defaults)

    def cautious_s(self, duty: str, default_s: float = 0.0) -> float:
        """Return a duration that nine of ten keep; never less than a default not yet disproved."""
        took = self._sample(duty, default_s)
        return _quantile(took, _HIGH)

    def _sample(self, duty: str, default_s: float) -> list[float]:
        took = list(self.observed.get(duty, ()))
        if len(took) < _ENOUGH:
            took.append(self.defaults.get(duty, default_s))
        return sorted(took)


def _quantile(ordered: list[float], fraction: float) -> float:
    """Linear interpolation between the order statistics of a sorted, filled list."""
    place = fraction * (len(ordered) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (place - low) * (ordered[high] - ordered[low])
