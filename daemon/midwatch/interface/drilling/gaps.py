"""The shortest times between light frames that a night has shown, and what its frames are worth."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

from midwatch.journal.events import Dithered, Flipped, MotionEnded
from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.journal.store import Event, facts_of
from midwatch.orders import Night

__all__ = ["Gaps", "counted_s", "dithered_until", "gaps_of", "lights_of", "wanted_s"]


# The journal's moments are rounded; an exposure begins at the instant in which a dither ends.
_ROUNDED_S = 0.01


@dataclass(frozen=True)
class Gaps:
    """Shortest seconds from the end of one exposure to the next, by what lay between.

    None where a night has shown none. With the shortest, a plan that knows everything could have
    worked; taken from the same night, no schedule that was really done breaks them.

    Attributes:
        plain: the same target on the same side of the pier.
        dithered: the same, with a dither between.
        switched: another target.
        flipped: the same target on the other side.
        recovered: from the beginning of a slew to the end of centring, the shortest of each.
    """

    plain: float | None = None
    dithered: float | None = None
    switched: float | None = None
    flipped: float | None = None
    recovered: float | None = None

    def shortest(self, other: Gaps | None) -> Gaps:
        """Return the shorter of each."""
        if other is None:
            return self
        pairs = {f.name: (getattr(self, f.name), getattr(other, f.name)) for f in fields(self)}
        return Gaps(
            **{
                name: min((gap for gap in pair if gap is not None), default=None)
                for name, pair in pairs.items()
            }
        )


def gaps_of(record: NightRecord, events: Sequence[Event]) -> Gaps:
    """Return the shortest gaps of a night.

    Args:
        record: of the night.
        events: the same, in the order of the journal.
    """
    shortest: dict[str, float] = {}
    for kind, before, after in _between(record, events):
        gap_s = max(0.0, after.began_utc_s - before.ended_utc_s)
        shortest[kind] = min(gap_s, shortest.get(kind, math.inf))
    parts = [record.durations.get(duty) for duty in ("slew", "centre")]
    if all(parts):
        shortest["recovered"] = sum(min(part) for part in parts if part)
    return Gaps(**shortest)


def dithered_until(record: NightRecord, events: Sequence[Event], every: int) -> float:
    """Return how long a night kept to dithering as often as ordered, POSIX seconds.

    Infinity for all night. Afterwards nothing had to be dithered, so nothing must be asked for.

    Args:
        record: of the night.
        events: the same, in the order of the journal.
        every: light frames from one dither to the next; 0 for none.
    """
    since = 1
    for kind, before, _ in _between(record, events):
        since = since + 1 if kind == "plain" else 1
        if 0 < every < since:
            return before.began_utc_s
    return math.inf


def _between(
    record: NightRecord, events: Sequence[Event]
) -> Iterator[tuple[str, FrameRecord, FrameRecord]]:
    """Yield what lies between each two light frames, as `Gaps` names it."""
    dithers = [at for at, _ in facts_of(events, Dithered)]
    turns = _turns(events)
    for before, after in pairwise(lights_of(record)):
        if before.begun.target != after.begun.target:
            kind = "switched"
        elif _side(turns, before.began_utc_s) != _side(turns, after.began_utc_s):
            kind = "flipped"
        elif any(before.ended_utc_s < at < after.began_utc_s + _ROUNDED_S for at in dithers):
            kind = "dithered"
        else:
            kind = "plain"
        yield kind, before, after


def _turns(events: Sequence[Event]) -> list[tuple[float, str]]:
    """Return the side of the pier from each end of motion on, as the mount tells it."""
    turns = [(at, end.pier_side) for at, end in facts_of(events, MotionEnded) if end.what != "park"]
    turns += [(at, flip.to_side) for at, flip in facts_of(events, Flipped) if flip.ok]
    return sorted(turns, key=lambda turn: turn[0])


def _side(turns: Sequence[tuple[float, str]], at_utc_s: float) -> str:
    index = bisect_right(turns, at_utc_s + _ROUNDED_S, key=lambda turn: turn[0])
    return turns[index - 1][1] if index else ""


def lights_of(record: NightRecord) -> list[FrameRecord]:
    """Return the light frames that were read out, in the order of time."""
    lights = [frame for frame in record.frames.values() if frame.is_light and frame.read]
    return sorted(lights, key=lambda frame: frame.began_utc_s)


def counted_s(record: NightRecord, night: Night) -> float:
    """Return the integration of accepted frames; of no target more than was ordered."""
    had: dict[str, float] = defaultdict(float)
    for frame in record.frames.values():
        if frame.accepted and frame.begun.target is not None:
            had[frame.begun.target] += frame.exposure_s
    return sum(min(had[target.name], wanted_s(night, target.name)) for target in night.targets)


def wanted_s(night: Night, name: str) -> float:
    """Return the integration that was ordered of a target."""
    return sum(
        frame.exposure_s * frame.count
        for target in night.targets
        if target.name == name
        for frame in target.order.frames
    )
