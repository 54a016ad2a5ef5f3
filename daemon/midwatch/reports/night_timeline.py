"""The night at a glance: sky, targets above their horizon, what was done, and where time went."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape

import numpy as np

from midwatch.journal.facts import TargetPlanned
from midwatch.journal.promises import NightContext
from midwatch.journal.record import LABELS, FrameRecord, Ledger, NightRecord
from midwatch.journal.store import Event
from midwatch.reports.charts import Mark, Scale, TimeAxis, marker, path, svg, text
from midwatch.reports.report_words import LocalTime, duration
from midwatch.reports.time_ribbon import RIBBON_H, ROW_H, key, ribbon, row, rows
from midwatch.sky import NightEvents, Track, moon_altaz, night_events, track

__all__ = ["timeline"]

_WIDTH = 1200
_LEFT, _RIGHT = 74, 14
_SKY_H, _TARGET_H, _GAP = 58, 132, 10
# Minutes between computed altitudes: shorter makes the file larger, longer makes corners visible.
_STEP_S = 300.0
_TWILIGHTS = ("day", "civil", "nautical", "astronomical", "dark")


def timeline(
    events: Sequence[Event], record: NightRecord, ledger: Ledger, context: NightContext
) -> str:
    """Return the picture of the night, from sunset to sunrise."""
    assert record.began is not None
    night = night_events(
        context.observer, date.fromisoformat(record.began.evening), context.timezone
    )
    axis = _axis(night, ledger, context)
    body: list[str] = []
    top = 0.0
    body.append(_sky_lane(night, axis, context, top))
    top += _SKY_H + _GAP
    for plan in record.planned.values():
        body.append(_target_lane(plan, record, axis, context, top))
        top += _TARGET_H + _GAP
    for content in rows(events, record):
        body.append(row(content, axis, top))
        top += ROW_H
    top += _GAP
    body.append(ribbon(ledger, axis, top))
    top += RIBBON_H
    height = top + 42
    backdrop = _twilight(night, axis, top) + _hours(axis, top)
    body.append(_edges(ledger, axis, top))
    desc = "; ".join(f"{LABELS[cause]} {duration(s)}" for cause, s in ledger.seconds.items())
    picture = svg(
        _WIDTH, height, "The night from sunset to sunrise", desc, backdrop + "".join(body), "night"
    )
    return (
        '<div class="wide" tabindex="0" role="region" aria-label="Timeline of the night">'
        f"{picture}</div>{key()}"
    )


def _axis(night: NightEvents, ledger: Ledger, context: NightContext) -> TimeAxis:
    start = min(night.sunset_utc_s or ledger.dusk_utc_s - 3600.0, ledger.dusk_utc_s - 900.0)
    end = max(night.sunrise_utc_s or ledger.dawn_utc_s + 3600.0, ledger.dawn_utc_s + 900.0)
    return TimeAxis(start, end, _LEFT, _WIDTH - _RIGHT, LocalTime(context.timezone))


def _grid(axis: TimeAxis) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    count = int((axis.end_utc_s - axis.start_utc_s) / _STEP_S) + 2
    return np.linspace(axis.start_utc_s, axis.end_utc_s, count)


# Sky -----------------------------------------------------------------------------------------


def _twilight(night: NightEvents, axis: TimeAxis, height: float) -> str:
    """Bands behind everything, named at the top; the boundaries are the standard altitudes."""
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
    parts = []
    start, end = axis.start_utc_s, axis.end_utc_s
    for name, dusk, dawn in zip(_TWILIGHTS, (*evening, None), (*morning, None), strict=True):
        parts.append(_band(name, axis(start), axis(end), height))
        if dusk is None or dawn is None:
            break  # the Sun does not get lower tonight
        start, end = dusk, dawn
    return "".join(parts)


def _band(name: str, left: float, right: float, height: float) -> str:
    """One band over all that follow it, which are drawn over its middle."""
    rect = (
        f'<rect class="tw-{name}" x="{left:.1f}" y="0" width="{right - left:.1f}" '
        f'height="{height:.1f}"/>'
    )
    if name == "day":
        return rect
    if name == "dark":
        return rect + text(0.5 * (left + right), 13, "dark", "small", "middle")
    short = "astron." if name == "astronomical" else name
    return rect + text(left + 3, 13, short, "small") + text(right - 3, 13, short, "small", "end")


def _edges(ledger: Ledger, axis: TimeAxis, height: float) -> str:
    parts = []
    for name, at, anchor in (
        ("dusk", ledger.dusk_utc_s, "start"),
        ("dawn", ledger.dawn_utc_s, "end"),
    ):
        x = axis(at)
        shift = 5 if anchor == "start" else -5
        parts.append(text(x + shift, 31, f"{name} {axis.times.clock(at)}", "tick", anchor))
        told = f"{name} as ordered: {axis.times.both(at)}"
        parts.append(
            f'<line class="edge" x1="{x:.1f}" x2="{x:.1f}" y1="18" y2="{height:.1f}">'
            f"<title>{escape(told)}</title></line>"
        )
    return "".join(parts)


def _hours(axis: TimeAxis, top: float) -> str:
    parts = [text(_LEFT - 8, top + 18, "local", "tick", "end")]
    parts.append(text(_LEFT - 8, top + 35, "UTC", "small", "end"))
    for at, local, utc in axis.times.hours(axis.start_utc_s, axis.end_utc_s):
        x = axis(at)
        parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="20" y2="{top + 4:.1f}"/>')
        parts.append(text(x, top + 18, local, "tick", "middle"))
        parts.append(text(x, top + 35, utc, "small", "middle"))
    return "".join(parts)


def _sky_lane(night: NightEvents, axis: TimeAxis, context: NightContext, top: float) -> str:
    grid = _grid(axis)
    alt = moon_altaz(context.observer, grid).alt_deg
    y = Scale(0.0, 90.0, top + _SKY_H, top + 16)
    parts = [text(_LEFT - 8, top + _SKY_H - 14, "Moon", "lane", "end")]
    parts.append(
        text(_LEFT - 8, top + _SKY_H, f"{night.moon_illumination:.0%} lit", "small", "end")
    )
    parts.append(_base(y(0.0)))
    up = [
        (axis(at), y(deg)) if deg > 0.0 else None
        for at, deg in zip(grid.tolist(), alt.tolist(), strict=True)
    ]
    for run in _runs(up):
        parts.append(path(run, "line dotted"))
        middle = run[len(run) // 2]
        parts.append(f'<circle class="moon" cx="{middle[0]:.1f}" cy="{middle[1]:.1f}" r="5"/>')
    if not any(up):
        parts.append(text(axis(0.5 * (axis.start_utc_s + axis.end_utc_s)), top + _SKY_H - 8,
                          "the Moon stays below the horizon", "small", "middle"))  # fmt: skip
    return "".join(parts)


def _runs(points: Sequence[tuple[float, float] | None]) -> list[list[tuple[float, float]]]:
    """Split at the gaps; runs of a single point go."""
    runs: list[list[tuple[float, float]]] = [[]]
    for point in points:
        if point is not None:
            runs[-1].append(point)
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) > 1]


def _base(y: float) -> str:
    return f'<line class="axis" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'


# Targets -------------------------------------------------------------------------------------


def _target_lane(
    plan: TargetPlanned, record: NightRecord, axis: TimeAxis, context: NightContext, top: float
) -> str:
    """Altitude of a target over the ground that it sees, thick while it was exposed."""
    seen = track(context.observer, plan.motion, _grid(axis), context.horizon)
    y = Scale(0.0, 90.0, top + _TARGET_H, top + 20)
    x_of = [axis(at) for at in seen.utc_s.tolist()]
    ground = [max(0.0, deg) for deg in (seen.alt_deg - seen.margin_deg).tolist()]
    outline = " ".join(f"{x:.1f},{y(deg):.1f}" for x, deg in zip(x_of, ground, strict=True))
    parts = [
        f'<polygon class="ground" points="{_LEFT},{y(0):.1f} {outline} '
        f'{_WIDTH - _RIGHT},{y(0):.1f}"><title>horizon as {escape(plan.target)} sees it</title>'
        "</polygon>",
        text(_LEFT + 8, top + 34, plan.target, "name"),
    ]
    for deg in (30, 60, 90):
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(deg):.1f}" '
            f'y2="{y(deg):.1f}"/>'
        )
        parts.append(text(_LEFT - 8, y(deg) + 4, f"{deg}°", "tick", "end"))
    curve = [
        (x, y(deg)) if deg > 0.0 else None
        for x, deg in zip(x_of, seen.alt_deg.tolist(), strict=True)
    ]
    parts += [path(run, "way") for run in _runs(curve)]
    parts.append(_base(y(0.0)))
    parts += [
        _exposure(frame, seen, axis, y)
        for frame in record.frames.values()
        if frame.is_light and frame.begun.target == plan.target
    ]
    parts += _flips(plan.target, record, axis, top)
    return "".join(parts)


def _exposure(frame: FrameRecord, seen: Track, axis: TimeAxis, y: Scale) -> str:
    moments = np.array([frame.began_utc_s, frame.ended_utc_s])
    alt = np.interp(moments, seen.utc_s, seen.alt_deg).tolist()
    (x1, x2), (y1, y2) = [axis(at) for at in moments.tolist()], [y(deg) for deg in alt]
    verdict = frame.graded.grade if frame.graded else frame.state
    reasons = frame.graded.reasons if frame.graded else ()
    told = (
        f"{axis.times.both(frame.began_utc_s)} {frame.begun.filter or 'light'} "
        f"{frame.exposure_s:.0f} s, {verdict}{': ' if reasons else ''}{'; '.join(reasons)}"
    )
    title = f"<title>{escape(told)}</title>"
    if verdict == "accepted":
        return (
            f'<line class="shot" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}">'
            f"{title}</line>"
        )
    mark: Mark = "diamond" if verdict == "doubtful" else "cross"
    return marker(mark, 0.5 * (x1 + x2), 0.5 * (y1 + y2) - 13.0, told, 4.5)


def _flips(target: str, record: NightRecord, axis: TimeAxis, top: float) -> list[str]:
    parts = []
    for at, flip in record.flips:
        if flip.target != target:
            continue
        told = f"meridian flip {'done' if flip.ok else 'failed'} {axis.times.both(at)}"
        x = axis(at)
        parts.append(
            f'<line class="flip" x1="{x:.1f}" x2="{x:.1f}" y1="{top + 22:.1f}" '
            f'y2="{top + _TARGET_H:.1f}"><title>{escape(told)}</title></line>'
        )
        parts.append(
            text(x + 5, top + _TARGET_H - 6, "flip" if flip.ok else "flip failed", "small")
        )
    return parts
