"""The night at a glance: sky, targets above their horizon, what was done, and where time went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from midwatch.journal.facts import TargetPlanned
from midwatch.journal.promises import NightContext
from midwatch.journal.record import LABELS, FrameRecord, Ledger, NightRecord
from midwatch.journal.store import Event
from midwatch.reports.marks import Anchor, Label, Mark, Scale, Sign, TimeAxis, points, sign
from midwatch.reports.report_words import LocalTime, duration
from midwatch.reports.time_ribbon import RIBBON_H, ROW_H, Lane, Ribbon, ribbon, row, rows
from midwatch.sky import NightEvents, Track, moon_altaz, night_events, track

__all__ = ["Timeline", "timeline"]

_WIDTH = 1200
_LEFT, _RIGHT = 74, 14
_SKY_H, _TARGET_H, _GAP = 58, 132, 10
# Minutes between computed altitudes: shorter makes the file larger, longer makes corners visible.
_STEP_S = 300.0
_TWILIGHTS = ("day", "civil", "nautical", "astronomical", "dark")


@dataclass(frozen=True)
class Band:
    """One darkness behind everything, and its names at both sides or in the middle."""

    darkness: str
    x: float
    width: float
    names: tuple[Label, ...]


@dataclass(frozen=True)
class Hour:
    """A full hour: a line across, and its reading below."""

    x: float
    local: Label


@dataclass(frozen=True)
class Edge:
    """Dusk or dawn as ordered: a line from top to bottom, and its name."""

    x: float
    name: Label
    hint: str


@dataclass(frozen=True)
class SkyLane:
    """The Moon's way above the horizon.

    Attributes:
        ways: lines, each with the place of the Moon at its middle.
        absent: said where there is none.
    """

    name: Label
    lit: Label
    base_y: float
    ways: tuple[tuple[str, tuple[float, float]], ...]
    absent: Label | None


@dataclass(frozen=True)
class Shot:
    """An accepted frame: from where to where its target went meanwhile."""

    x1: float
    y1: float
    x2: float
    y2: float
    hint: str


@dataclass(frozen=True)
class Flip:
    """A meridian flip: a line down the lane, and its name."""

    x: float
    top: float
    bottom: float
    name: Label
    hint: str


@dataclass(frozen=True)
class TargetLane:
    """A target's altitude over the ground that it sees, and its frames.

    Attributes:
        ground: outline of what hides the sky.
        heights: lines at round altitudes, with their labels.
        ways: lines of the altitude.
        frames: in the order of time; a sign where the frame was not accepted.
    """

    target: str
    name: Label
    ground: str
    heights: tuple[tuple[float, Label], ...]
    ways: tuple[str, ...]
    base_y: float
    frames: tuple[Shot | Sign, ...]
    flips: tuple[Flip, ...]


@dataclass(frozen=True)
class Timeline:
    """The picture of the night, from the back to the front; `floor` is where the hours begin."""

    width: int
    height: str
    desc: str
    left: int
    right: int
    floor: float
    bands: tuple[Band, ...]
    hours: tuple[Hour, ...]
    sky: SkyLane
    targets: tuple[TargetLane, ...]
    rows: tuple[Lane, ...]
    ribbon: Ribbon
    edges: tuple[Edge, ...]


def timeline(
    events: Sequence[Event], record: NightRecord, ledger: Ledger, context: NightContext
) -> Timeline:
    """Return the picture of the night, from sunset to sunrise."""
    assert record.began is not None
    night = night_events(
        context.observer, date.fromisoformat(record.began.evening), context.timezone
    )
    axis = _axis(night, ledger, context)
    sky = _sky_lane(night, axis, context, 0.0)
    top = float(_SKY_H + _GAP)
    targets = []
    for plan in record.planned.values():
        targets.append(_target_lane(plan, record, axis, context, top))
        top += _TARGET_H + _GAP
    lanes = []
    for content in rows(events, record):
        lanes.append(row(content, axis, top))
        top += ROW_H
    top += _GAP
    floor = top + RIBBON_H
    return Timeline(
        width=_WIDTH,
        height=f"{floor + 26:g}",
        desc="; ".join(f"{LABELS[cause]} {duration(s)}" for cause, s in ledger.seconds.items()),
        left=_LEFT,
        right=_WIDTH - _RIGHT,
        floor=floor,
        bands=_twilight(night, axis),
        hours=_hours(axis, floor),
        sky=sky,
        targets=tuple(targets),
        rows=tuple(lanes),
        ribbon=ribbon(ledger, axis, top),
        edges=_edges(ledger, axis),
    )


def _axis(night: NightEvents, ledger: Ledger, context: NightContext) -> TimeAxis:
    start = min(night.sunset_utc_s or ledger.dusk_utc_s - 3600.0, ledger.dusk_utc_s - 900.0)
    end = max(night.sunrise_utc_s or ledger.dawn_utc_s + 3600.0, ledger.dawn_utc_s + 900.0)
    return TimeAxis(start, end, _LEFT, _WIDTH - _RIGHT, LocalTime(context.timezone))


def _grid(axis: TimeAxis) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    count = int((axis.end_utc_s - axis.start_utc_s) / _STEP_S) + 2
    return np.linspace(axis.start_utc_s, axis.end_utc_s, count)


# Sky -----------------------------------------------------------------------------------------


def _twilight(night: NightEvents, axis: TimeAxis) -> tuple[Band, ...]:
    """Bands from the lightest to the darkest; the boundaries are the standard altitudes."""
    evening = (
        night.sunset_utc_s,
        night.civil_dusk_utc_s,
        night.nautical_dusk_utc_s,
        night.astronomical_dusk_utc_s,
    )
    morning = (
        night.sunrise_utc_s,
        night.civil_dawn_utc_s,
        night.nautical_dawn_utc_s,
        night.astronomical_dawn_utc_s,
    )
    bands = []
    start, end = axis.start_utc_s, axis.end_utc_s
    for name, dusk, dawn in zip(_TWILIGHTS, (*evening, None), (*morning, None), strict=True):
        bands.append(_band(name, axis(start), axis(end)))
        if dusk is None or dawn is None:
            break  # the Sun does not get lower tonight
        start, end = dusk, dawn
    return tuple(bands)


def _band(darkness: str, left: float, right: float) -> Band:
    """One band over all that follow it, which are drawn over its middle."""
    names: tuple[Label, ...] = ()
    if darkness == "dark":
        names = (Label(0.5 * (left + right), 13, "dark", "middle"),)
    elif darkness != "day":
        short = "astron." if darkness == "astronomical" else darkness
        names = (Label(left + 3, 13, short), Label(right - 3, 13, short, "end"))
    return Band(darkness, left, right - left, names)


def _edges(ledger: Ledger, axis: TimeAxis) -> tuple[Edge, ...]:
    ends: tuple[tuple[str, int, float, Anchor], ...] = (
        ("dusk", ledger.dusk_utc_s, 5, "start"),
        ("dawn", ledger.dawn_utc_s, -5, "end"),
    )
    return tuple(
        Edge(
            axis(at),
            Label(axis(at) + shift, 31, f"{name} {axis.times.clock(at)}", anchor),
            f"{name} as ordered: {axis.times.to_the_second(at)}",
        )
        for name, at, shift, anchor in ends
    )


def _hours(axis: TimeAxis, floor: float) -> tuple[Hour, ...]:
    return tuple(
        Hour(axis(at), Label(axis(at), floor + 18, local, "middle"))
        for at, local in axis.times.hours(axis.start_utc_s, axis.end_utc_s)
    )


def _sky_lane(night: NightEvents, axis: TimeAxis, context: NightContext, top: float) -> SkyLane:
    grid = _grid(axis)
    alt = moon_altaz(context.observer, grid).alt_deg
    y = Scale(0.0, 90.0, top + _SKY_H, top + 16)
    up = [
        (axis(at), y(deg)) if deg > 0.0 else None
        for at, deg in zip(grid.tolist(), alt.tolist(), strict=True)
    ]
    middle_x = axis(0.5 * (axis.start_utc_s + axis.end_utc_s))
    below = "the Moon stays below the horizon"
    return SkyLane(
        name=Label(_LEFT - 8, top + _SKY_H - 14, "Moon", "end"),
        lit=Label(_LEFT - 8, top + _SKY_H, f"{night.moon_illumination:.0%} lit", "end"),
        base_y=y(0.0),
        ways=tuple((points(run), run[len(run) // 2]) for run in _runs(up)),
        absent=None if any(up) else Label(middle_x, top + _SKY_H - 8, below, "middle"),
    )


def _runs(along: Sequence[tuple[float, float] | None]) -> list[list[tuple[float, float]]]:
    """Split at the gaps; runs of a single point go."""
    runs: list[list[tuple[float, float]]] = [[]]
    for point in along:
        if point is not None:
            runs[-1].append(point)
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) > 1]


# Targets -------------------------------------------------------------------------------------


def _target_lane(
    plan: TargetPlanned, record: NightRecord, axis: TimeAxis, context: NightContext, top: float
) -> TargetLane:
    """Altitude of a target over the ground that it sees, thick while it was exposed."""
    seen = track(context.observer, plan.motion, _grid(axis), context.horizon)
    y = Scale(0.0, 90.0, top + _TARGET_H, top + 20)
    x_of = [axis(at) for at in seen.utc_s.tolist()]
    hidden = [max(0.0, deg) for deg in (seen.alt_deg - seen.margin_deg).tolist()]
    outline = points([(x, y(deg)) for x, deg in zip(x_of, hidden, strict=True)])
    curve = [
        (x, y(deg)) if deg > 0.0 else None
        for x, deg in zip(x_of, seen.alt_deg.tolist(), strict=True)
    ]
    return TargetLane(
        target=plan.target,
        name=Label(_LEFT + 8, top + 34, plan.target),
        ground=f"{_LEFT},{y(0):.1f} {outline} {_WIDTH - _RIGHT},{y(0):.1f}",
        heights=tuple(
            (y(deg), Label(_LEFT - 8, y(deg) + 4, f"{deg}°", "end")) for deg in (30, 60, 90)
        ),
        ways=tuple(points(run) for run in _runs(curve)),
        base_y=y(0.0),
        frames=tuple(
            _exposure(frame, seen, axis, y)
            for frame in record.frames.values()
            if frame.is_light and frame.begun.target == plan.target
        ),
        flips=_flips(plan.target, record, axis, top),
    )


def _exposure(frame: FrameRecord, seen: Track, axis: TimeAxis, y: Scale) -> Shot | Sign:
    moments = np.array([frame.began_utc_s, frame.ended_utc_s])
    alt = np.interp(moments, seen.utc_s, seen.alt_deg).tolist()
    (x1, x2), (y1, y2) = [axis(at) for at in moments.tolist()], [y(deg) for deg in alt]
    verdict = frame.graded.grade if frame.graded else frame.state
    reasons = frame.graded.reasons if frame.graded else ()
    hint = (
        f"{axis.times.to_the_second(frame.began_utc_s)} {frame.begun.filter or 'light'} "
        f"{frame.exposure_s:.0f} s, {verdict}{': ' if reasons else ''}{'; '.join(reasons)}"
    )
    if verdict == "accepted":
        return Shot(x1, y1, x2, y2, hint)
    shape: Mark = "diamond" if verdict == "doubtful" else "cross"
    return sign(shape, 0.5 * (x1 + x2), 0.5 * (y1 + y2) - 13.0, hint, 4.5)


def _flips(target: str, record: NightRecord, axis: TimeAxis, top: float) -> tuple[Flip, ...]:
    return tuple(
        Flip(
            x=axis(at),
            top=top + 22,
            bottom=top + _TARGET_H,
            name=Label(axis(at) + 5, top + _TARGET_H - 6, "flip" if flip.ok else "flip failed"),
            hint=f"meridian flip {'done' if flip.ok else 'failed'} {axis.times.to_the_second(at)}",
        )
        for at, flip in record.flips
        if flip.target == target
    )
