"""The shortest times between light frames that a night has shown, and what its frames are worth."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

from midwatch.journal.facts import Dithered, Flipped, FrameBegun, MotionEnded
from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.journal.store import Event
from midwatch.orders.reading import Night

__all__ = ["Gaps", "counted_s", "gaps_of", "lights_of", "undithered", "wanted_s"]

# Schedules are made of whole seconds.
_SECOND_S = 1.0


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


def undithered(
    record: NightRecord, events: Sequence[Event], every: int
) -> tuple[tuple[float, float], ...]:
    """Return the spans in which a night did not dither as often as ordered, POSIX seconds.

    Each from the beginning of the first exposure that should have come after a dither to that of
    the last one in a row. Nothing could be dithered then, so nothing must be asked for.

    Args:
        record: of the night.
        events: the same, in the order of the journal.
        every: light frames from one dither to the next; 0 for none.
    """
    spans: list[tuple[float, float]] = []
    since = 1
    for kind, _, after in _between(record, events):
        since = since + 1 if kind == "plain" else 1
        if 0 < every < since:
            at = after.began_utc_s
            first = at - _SECOND_S if since == every + 1 else spans.pop()[0]
            spans.append((first, at + _SECOND_S))
    return tuple(spans)


def _between(
    record: NightRecord, events: Sequence[Event]
) -> Iterator[tuple[str, FrameRecord, FrameRecord]]:
    """Yield what lies between each two light frames, as `Gaps` names it.

    By the order of the journal, whose moments come from another clock than those of exposures.
    """
    lights = {light.begun.exposure_id: light for light in lights_of(record)}
    before: FrameRecord | None = None
    side = side_before = ""
    dithered = False
    for event in events:
        fact = event.fact
        if isinstance(fact, Dithered):
            dithered = True
        elif isinstance(fact, MotionEnded) and fact.what != "park":
            side = fact.pier_side
        elif isinstance(fact, Flipped) and fact.ok:
            side = fact.to_side
        elif isinstance(fact, FrameBegun) and fact.exposure_id in lights:
            after = lights[fact.exposure_id]
            if before is not None:
                kind = "dithered" if dithered else "plain"
                if before.begun.target != after.begun.target:
                    kind = "switched"
                elif side != side_before:
                    kind = "flipped"
                yield kind, before, after
            before, side_before, dithered = after, side, False


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
