"""The best schedule of exposures through a night, by dynamic programming backwards in time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from midwatch.bound.gaps import Gaps
from midwatch.bound.lost_light import Dark

__all__ = ["Place", "Schedule", "Steps", "best_schedule"]

Seconds = NDArray[np.float64]
Mask = NDArray[np.bool_]
Spans = tuple[tuple[float, float], ...]
N = TypeVar("N", int, float)

# Less than this, in seconds of exposure, is no difference.
_NOTHING = 1e-6


@dataclass(frozen=True)
class Place:
    """A target on one side of the pier.

    Attributes:
        spans_utc_s: in which it may be exposed.
        lengths_s: of its exposures.
    """

    target: str
    spans_utc_s: Spans
    lengths_s: tuple[float, ...]


@dataclass(frozen=True)
class Steps:
    """What lies between exposures.

    Attributes:
        gaps: the shortest.
        dither_every: exposures from one dither to the next; 0 for no dithers.
        undithered_utc_s: spans in which exposures may begin without a dither that is due.
    """

    gaps: Gaps
    dither_every: int
    undithered_utc_s: Spans = ()


@dataclass(frozen=True)
class Schedule:
    """The best that can be done.

    Attributes:
        worth_s: of all exposures.
        taken_s: exposed seconds of each target.
    """

    worth_s: float
    taken_s: Mapping[str, float]


@dataclass(frozen=True)
class _Exposure:
    """One length at one place: where it may begin, what it is worth, how long it blocks.

    Attributes:
        first, last: seconds at which it may begin; the last is below the first where there is none.
    """

    length_s: float
    worth_s: float
    may_begin: Mask
    step: int
    first: int
    last: int


def best_schedule(
    places: Sequence[Place],
    darks: Sequence[Dark],
    steps: Steps,
    worth: Mapping[str, float],
    hours: tuple[float, float],
) -> Schedule:
    """Return the schedule of the greatest worth between dusk and dawn.

    Time goes in whole seconds; durations are cut down and spans widened to them, so that whatever
    is possible in between is possible here.

    Args:
        places: where and when exposures are possible.
        darks: when they are not.
        steps: what lies between exposures.
        worth: of an exposed second of each target, 0 to 1.
        hours: dusk and dawn, POSIX seconds.
    """
    origin = math.floor(hours[0])
    count = max(0, math.ceil(hours[1]) - origin)
    if not places or not count:
        return Schedule(0.0, {})
    table = _Table(places, darks, steps, worth, origin, count)
    table.fill()
    return table.follow()


class _Table:
    """The worth of the rest of the night, by place, exposures since the last dither, and second.

    A second is that from which the next exposure may begin after no more than reading out.
    """

    def __init__(
        self,
        places: Sequence[Place],
        darks: Sequence[Dark],
        steps: Steps,
        worth: Mapping[str, float],
        origin: int,
        count: int,
    ) -> None:
        self._places = places
        self._count = count
        gaps = steps.gaps
        plain = gaps.plain or 0.0
        # As many exposures as this, and a dither is due.
        self._due = steps.dither_every if gaps.dithered is not None else 0
        self._undithered = _within(steps.undithered_utc_s, origin, count)
        self._dither = max(0, math.floor((gaps.dithered or 0.0) - plain))
        self._exposures = [
            [_exposure(length, worth[place.target], masks, plain) for length in place.lengths_s]
            for place in places
            for masks in [_Masks(place, darks, origin, count)]
        ]
        self._moves = [[_move_s(one, other, gaps, plain) for other in places] for one in places]
        moves = [move for row in self._moves for move in row if move is not None]
        lengths = [option.step for options in self._exposures for option in options]
        self._shortest = min(length for length in (*lengths, *moves) if length)
        longest = max((*lengths, *moves, self._dither))
        self._rest: Seconds = np.zeros((len(places), self._due + 1, count + longest + 1))
        # Where one can go without exposing, from each place and phase: (place, phase, seconds).
        self._ways = {state: list(self._ways_from(*state)) for state in self._states()}

    def _states(self, first: int = 0, last: int | None = None) -> list[tuple[int, int]]:
        phases = range(first, (self._due if last is None else last) + 1)
        return [(place, phase) for place in range(len(self._places)) for phase in phases]

    def fill(self) -> None:
        """Fill the table from dawn back to dusk, a block at a time.

        A block is no longer than the shortest step, so that all that it looks at lies behind it;
        but for dithers, which lead to phase 0: that is filled before the others.
        """
        begun, others = self._states(last=0), self._states(first=1)
        for end in range(self._count, 0, -self._shortest):
            begin = max(0, end - self._shortest)
            self._block(begun, begin, end)
            self._block(others, begin, end)

    def _block(self, states: list[tuple[int, int]], begin: int, end: int) -> None:
        rest = self._rest
        for place, phase in states:
            best = rest[place, phase, begin:end]
            for option in self._exposures[place]:
                self._expose(best, place, phase, option, begin)
            for other, after, move in self._ways[place, phase]:
                if move:
                    np.maximum(best, rest[other, after, begin + move : end + move], out=best)
        # What takes no time leads on within the block itself; twice, by way of a third place.
        for place, phase in 2 * states:
            best = rest[place, phase, begin:end]
            for other, after, move in self._ways[place, phase]:
                if not move:
                    np.maximum(best, rest[other, after, begin:end], out=best)
        # Waiting: whatever can be had later can be had from here.
        for place, phase in states:
            back = rest[place, phase, begin : end + 1][::-1]
            np.maximum.accumulate(back, out=back)

    def _expose(self, best: Seconds, place: int, phase: int, option: _Exposure, begin: int) -> None:
        end = begin + len(best)
        if begin > option.last or end <= option.first:
            return
        may_begin = option.may_begin[begin:end]
        if self._dither_first(phase):
            may_begin = may_begin & self._undithered[begin:end]
        after = min(phase + 1, self._due)
        later = self._rest[place, after, begin + option.step : end + option.step]
        np.maximum(best, np.where(may_begin, later + option.worth_s, 0.0), out=best)

    def _dither_first(self, phase: int) -> bool:
        return 0 < self._due == phase

    def _ways_from(self, place: int, phase: int) -> Iterator[tuple[int, int, int]]:
        if phase:
            yield place, 0, self._dither
        for other, move in enumerate(self._moves[place]):
            if move is not None:
                yield other, 0, move

    def follow(self) -> Schedule:
        """Walk along the best schedule and add up what it takes."""
        place = int(np.argmax(self._rest[:, 0, 0]))
        worth_s = float(self._rest[place, 0, 0])
        taken = dict.fromkeys((p.target for p in self._places), 0.0)
        phase, at = 0, 0
        while at < self._count and self._rest[place, phase, at] > _NOTHING:
            place, phase, at = self._next(place, phase, at, taken)
        return Schedule(worth_s, taken)

    def _next(
        self, place: int, phase: int, at: int, taken: dict[str, float]
    ) -> tuple[int, int, int]:
        rest = self._rest
        value = rest[place, phase, at]
        if rest[place, phase, at + 1] > value - _NOTHING:
            # Nothing is lost by waiting: go on to where it would be.
            later = rest[place, phase, at : self._count + 1] > value - _NOTHING
            return place, phase, at + (int(np.argmin(later)) or len(later)) - 1
        # Ways that take no time may lead in a circle: none is gone twice.
        looked, waiting = set(), [(place, phase)]
        while True:
            here = waiting.pop()
            looked.add(here)
            for option, after in self._options(*here, at):
                if rest[here[0], after, at + option.step] + option.worth_s > value - _NOTHING:
                    taken[self._places[here[0]].target] += option.length_s
                    return here[0], after, at + option.step
            for other, after, move in self._ways[here]:
                if rest[other, after, at + move] > value - _NOTHING:
                    if move:
                        return other, after, at + move
                    if (other, after) not in looked:
                        waiting.append((other, after))

    def _options(self, place: int, phase: int, at: int) -> Iterator[tuple[_Exposure, int]]:
        """Yield what can be exposed here and now, with the phase after it."""
        if not self._dither_first(phase) or self._undithered[at]:
            for option in self._exposures[place]:
                if option.may_begin[at]:
                    yield option, min(phase + 1, self._due)


class _Masks:
    """Where exposures of a place may begin."""

    def __init__(self, place: Place, darks: Sequence[Dark], origin: int, count: int) -> None:
        opened = _within(place.spans_utc_s, origin, count)
        half = np.zeros(count + 1, dtype=bool)
        self._begin = np.ones(count, dtype=bool)
        self._end = np.ones(count + 1, dtype=bool)
        marks = {"all": opened, "half": half, "begin": self._begin, "end": self._end}
        for dark in darks:
            begins, ends = dark.from_utc_s - origin, dark.until_utc_s - origin
            span = slice(math.ceil(_clip(begins, count)), math.floor(_clip(ends, count + 1)))
            marks[dark.how][span] = dark.how == "half"
        self._count = count
        self._open = np.concatenate([[0], np.cumsum(opened[:count])])
        self._half = np.concatenate([[0], np.cumsum(half[:count])])

    def of(self, length: int) -> Mask:
        """Return the seconds at which an exposure of this many whole seconds may begin."""
        found = np.zeros(self._count, dtype=bool)
        fits = self._count - length + 1
        if fits <= 0:
            return found
        opened = self._open[length:] - self._open[:fits]
        spoiled = self._half[length:] - self._half[:fits]
        may = (opened >= length) & (2 * spoiled < max(length, 1)) & self._end[length:]
        found[:fits] = may[: self._count]
        return found & self._begin


def _within(spans_utc_s: Spans, origin: int, count: int) -> Mask:
    """Return the seconds of the night that lie in spans, and one more."""
    inside = np.zeros(count + 1, dtype=bool)
    for start, end in spans_utc_s:
        first, last = math.floor(start) - origin, math.ceil(end) - origin
        inside[_clip(first, count) : _clip(last, count)] = True
    return inside


def _clip(second: N, count: int) -> N | int:
    return min(max(second, 0), count)


def _exposure(length_s: float, worth: float, masks: _Masks, plain_s: float) -> _Exposure:
    may_begin = masks.of(math.floor(length_s))
    seconds = np.flatnonzero(may_begin)
    return _Exposure(
        length_s=length_s,
        worth_s=length_s * worth,
        may_begin=may_begin,
        step=max(1, math.floor(length_s + plain_s)),
        first=int(seconds[0]) if len(seconds) else 0,
        last=int(seconds[-1]) if len(seconds) else -1,
    )


def _move_s(one: Place, other: Place, gaps: Gaps, plain_s: float) -> int | None:
    """Return what going from one place to another takes besides reading out; None to itself."""
    if one is other:
        return None
    gap_s = gaps.flipped if one.target == other.target else gaps.switched
    return max(0, math.floor((gap_s or 0.0) - plain_s))
