"""The best schedule of exposures through a night, by dynamic programming backwards in time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.interface.drilling.gaps import Gaps
from midwatch.interface.drilling.lost_light import Dark

__all__ = ["Place", "Schedule", "Steps", "best_schedule"]

Seconds = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Place:
    """A target on one side of the pier.

    Attributes:
        spans_utc_s: in which it may be exposed.
        lengths_s: of its exposures.
    """

    target: str
    spans_utc_s: tuple[tuple[float, float], ...]
    lengths_s: tuple[float, ...]


@dataclass(frozen=True)
class Steps:
    """What lies between exposures.

    Attributes:
        gaps: the shortest.
        dither_every: exposures from one dither to the next; 0 for no dithers.
        dithered_until_utc_s: from then on dithers may be left out.
    """

    gaps: Gaps
    dither_every: int
    dithered_until_utc_s: float


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
    """One length at one place: where it may begin, what it is worth, how long it blocks."""

    length_s: float
    worth_s: float
    may_begin: Mask
    plain: int
    dithered: int


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
    """The worth of the rest of the night, by place, exposures since the last dither, and second."""

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
        dithers = steps.dither_every if gaps.dithered is not None else 0
        self._phases = max(1, dithers)
        until = steps.dithered_until_utc_s - origin
        self._bound_until = 0 if not dithers else math.ceil(min(max(until, 0.0), count))
        plain = gaps.plain or 0.0
        self._dithered = max(gaps.dithered or 0.0, plain)
        self._exposures = [
            [
                _exposure(length, worth[place.target], masks, plain, self._dithered)
                for length in place.lengths_s
            ]
            for place in places
            for masks in [_Masks(place, darks, origin, count)]
        ]
        self._moves = [[_move_s(one, other, gaps, plain) for other in places] for one in places]
        longest = max(
            [e.dithered for options in self._exposures for e in options]
            + [move for row in self._moves for move in row if move is not None],
        )
        shape = (len(places), self._phases, count + longest + 2)
        self._rest: Seconds = np.zeros(shape)

    def fill(self) -> None:
        """Fill the table from dawn back to dusk, a block at a time.

        A block is no longer than the shortest step, so that all that it looks at lies behind it.
        """
        shortest = min(
            [e.plain for options in self._exposures for e in options]
            + [move for row in self._moves for move in row if move]
        )
        size = max(1, shortest)
        for end in range(self._count, 0, -size):
            self._block(max(0, end - size), end)

    def _block(self, begin: int, end: int) -> None:
        rest = self._rest
        for phase in range(self._phases):
            for place, options in enumerate(self._exposures):
                best = np.full(end - begin, -1.0)
                for option in options:
                    if option.may_begin[begin:end].any():
                        self._expose(best, place, phase, option, begin, end)
                for other, move in enumerate(self._moves[place]):
                    if move:
                        np.maximum(best, rest[other, 0, begin + move : end + move], out=best)
                rest[place, phase, begin:end] = best
        for place, row in enumerate(self._moves):
            for other, move in enumerate(row):
                if move == 0 and other != place:
                    here, there = rest[place, :, begin:end], rest[other, 0, begin:end]
                    np.maximum(here, there, out=here)
        # Waiting: whatever can be had later can be had from here.
        block = rest[:, :, begin : end + 1]
        rest[:, :, begin : end + 1] = np.maximum.accumulate(block[:, :, ::-1], axis=2)[:, :, ::-1]

    def _expose(
        self, best: Seconds, place: int, phase: int, option: _Exposure, begin: int, end: int
    ) -> None:
        for first, last, step, after in self._runs(phase, option, begin, end):
            later = self._rest[place, after, first + step : last + step]
            worth = np.where(option.may_begin[first:last], later + option.worth_s, -1.0)
            part = best[first - begin : last - begin]
            np.maximum(part, worth, out=part)

    def _runs(
        self, phase: int, option: _Exposure, begin: int, end: int
    ) -> list[tuple[int, int, int, int]]:
        """Split a block where dithers cease to bind: (first, last, step, phase after)."""
        free_from = self._bound_until - option.plain
        parts = [(begin, min(end, free_from)), (max(begin, free_from), end)]
        due = phase + 1 >= self._phases
        bound = (option.dithered, 0) if due else (option.plain, phase + 1)
        # Where dithers bind no longer their count stands still.
        free = (option.plain, phase)
        return [
            (first, last, *how)
            for (first, last), how in zip(parts, (bound, free), strict=True)
            if last > first
        ]

    def follow(self) -> Schedule:
        """Walk along the best schedule and add up what it takes."""
        rest = self._rest
        place = int(np.argmax(rest[:, 0, 0]))
        phase, at = 0, 0
        worth_s = float(rest[place, phase, 0])
        taken = dict.fromkeys((p.target for p in self._places), 0.0)
        while at < self._count and rest[place, phase, at] > 1e-6:
            place, phase, at = self._next(place, phase, at, taken)
        return Schedule(worth_s, taken)

    def _next(
        self, place: int, phase: int, at: int, taken: dict[str, float]
    ) -> tuple[int, int, int]:
        rest = self._rest
        value = rest[place, phase, at]
        for option in self._exposures[place]:
            if not option.may_begin[at]:
                continue
            ((_, _, step, after),) = self._runs(phase, option, at, at + 1)
            if math.isclose(rest[place, after, at + step] + option.worth_s, value, abs_tol=1e-6):
                taken[self._places[place].target] += option.length_s
                return place, after, at + step
        for other, move in enumerate(self._moves[place]):
            if (
                move is not None
                and other != place
                and math.isclose(rest[other, 0, at + move], value, abs_tol=1e-6)
                and not (move == 0 and self._waits(place, phase, at))
            ):
                return other, 0, at + move
        return place, phase, at + 1

    def _waits(self, place: int, phase: int, at: int) -> bool:
        """Tell whether staying is as good: places without a way between must not be swapped."""
        return math.isclose(
            self._rest[place, phase, at + 1], self._rest[place, phase, at], abs_tol=1e-6
        )


class _Masks:
    """Where exposures of a place may begin."""

    def __init__(self, place: Place, darks: Sequence[Dark], origin: int, count: int) -> None:
        opened = np.zeros(count + 1, dtype=bool)
        for start, end in place.spans_utc_s:
            opened[
                _clip(math.floor(start) - origin, count) : _clip(math.ceil(end) - origin, count)
            ] = True
        half = np.zeros(count + 1, dtype=bool)
        self._begin = np.ones(count, dtype=bool)
        marks = {"all": opened, "half": half, "begin": self._begin}
        for dark in darks:
            last = count if dark.until_utc_s == math.inf else math.floor(dark.until_utc_s) - origin
            span = slice(_clip(math.ceil(dark.from_utc_s) - origin, count), _clip(last, count))
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
        found[:fits] = ((opened >= length) & (2 * spoiled < max(length, 1)))[: self._count]
        return found & self._begin


def _clip(second: int, count: int) -> int:
    return min(max(second, 0), count)


def _exposure(
    length_s: float, worth: float, masks: _Masks, plain_s: float, dithered_s: float
) -> _Exposure:
    return _Exposure(
        length_s=length_s,
        worth_s=length_s * worth,
        may_begin=masks.of(math.floor(length_s)),
        plain=max(1, math.floor(length_s + plain_s)),
        dithered=max(1, math.floor(length_s + dithered_s)),
    )


def _move_s(one: Place, other: Place, gaps: Gaps, plain_s: float) -> int | None:
    """Return what going from one place to another takes beside reading out; None to itself."""
    if one is other:
        return None
    gap_s = gaps.flipped if one.target == other.target else gaps.switched
    return max(0, math.floor((gap_s or 0.0) - plain_s))
