"""The night at a glance: sky, targets above their horizon, what was done, and where time went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from html import escape

import numpy as np

from midwatch.journal.context import NightContext
from midwatch.journal.events import Cause, FocusRun, NightBegan, OperatorSpoke, TargetPlanned
from midwatch.journal.ledger import LABELS, Ledger, Span
from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.journal.report_charts import Mark, Scale, marker, path, svg, text
from midwatch.journal.report_words import LocalTime, duration
from midwatch.journal.store import Event, facts_of
from midwatch.sky import NightEvents, Track, moon_altaz, night_events, track

__all__ = ["GROUPS", "group_of", "timeline"]

GROUPS: dict[str, tuple[Cause, ...]] = {
    "light": ("open_shutter",),
    "lost": ("unsafe", "clouds", "fault", "paused", "daemon_down"),
    "idle": (
        "waiting_for_target",
        "waiting_for_meridian",
        "no_target_left",
        "finished",
        "not_started",
    ),
}  # everything else is work around the frames

_WIDTH = 1200
_LEFT, _RIGHT = 74, 14
_SKY_H, _TARGET_H, _ROW_H, _RIBBON_H, _GAP = 58, 132, 24, 46, 10
# Minutes between computed altitudes: shorter makes the file larger, longer makes corners visible.
_STEP_S = 300.0
_TWILIGHTS = ("day", "civil", "nautical", "astronomical", "dark")


def group_of(cause: Cause) -> str:
    """Return the kind of use a cause belongs to: light, work, lost or idle."""
    return next((group for group, causes in GROUPS.items() if cause in causes), "work")


@dataclass(frozen=True)
class _Axis:
    """The common time axis."""

    start_utc_s: float
    end_utc_s: float
    times: LocalTime

    def __call__(self, utc_s: float) -> float:
        clipped = min(self.end_utc_s, max(self.start_utc_s, utc_s))
        return Scale(self.start_utc_s, self.end_utc_s, _LEFT, _WIDTH - _RIGHT)(clipped)

    def grid(self) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        count = int((self.end_utc_s - self.start_utc_s) / _STEP_S) + 2
        return np.linspace(self.start_utc_s, self.end_utc_s, count)


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
    for name, mark, moments in _rows(events, record):
        body.append(_row(name, mark, moments, axis, top))
        top += _ROW_H
    top += _GAP
    body.append(_ribbon(ledger, axis, top))
    top += _RIBBON_H
    height = top + 42
    backdrop = _twilight(night, axis, top) + _edges(ledger, axis, top) + _hours(axis, top)
    desc = "; ".join(f"{LABELS[cause]} {duration(s)}" for cause, s in ledger.seconds.items())
    picture = svg(
        _WIDTH, height, "The night from sunset to sunrise", desc, backdrop + "".join(body), "night"
    )
    return (
        '<div class="wide" tabindex="0" role="region" aria-label="Timeline of the night">'
        f"{picture}</div>{_key()}"
    )


def _axis(night: NightEvents, ledger: Ledger, context: NightContext) -> _Axis:
    start = min(night.sunset_utc_s or ledger.dusk_utc_s - 3600.0, ledger.dusk_utc_s - 900.0)
    end = max(night.sunrise_utc_s or ledger.dawn_utc_s + 3600.0, ledger.dawn_utc_s + 900.0)
    return _Axis(start, end, LocalTime(context.timezone))


# Sky -----------------------------------------------------------------------------------------


def _twilight(night: NightEvents, axis: _Axis, height: float) -> str:
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
    return (
        rect + text(left + 3, 13, name[:8], "small") + text(right - 3, 13, name[:8], "small", "end")
    )


def _edges(ledger: Ledger, axis: _Axis, height: float) -> str:
    parts = []
    for name, at in (("dusk", ledger.dusk_utc_s), ("dawn", ledger.dawn_utc_s)):
        x = axis(at)
        told = f"{name} as ordered: {axis.times.both(at)}"
        parts.append(
            f'<line class="edge" x1="{x:.1f}" x2="{x:.1f}" y1="18" y2="{height:.1f}">'
            f"<title>{escape(told)}</title></line>"
        )
    return "".join(parts)


def _hours(axis: _Axis, top: float) -> str:
    parts = [text(_LEFT - 8, top + 18, "local", "tick", "end")]
    parts.append(text(_LEFT - 8, top + 35, "UTC", "small", "end"))
    for at, local, utc in axis.times.hours(axis.start_utc_s, axis.end_utc_s):
        x = axis(at)
        parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="20" y2="{top + 4:.1f}"/>')
        parts.append(text(x, top + 18, local, "tick", "middle"))
        parts.append(text(x, top + 35, utc, "small", "middle"))
    return "".join(parts)


def _sky_lane(night: NightEvents, axis: _Axis, context: NightContext, top: float) -> str:
    grid = axis.grid()
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
    plan: TargetPlanned, record: NightRecord, axis: _Axis, context: NightContext, top: float
) -> str:
    """Altitude of a target over the ground that it sees, thick while it was exposed."""
    seen = track(context.observer, plan.ra_deg, plan.dec_deg, axis.grid(), context.horizon)
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


def _exposure(frame: FrameRecord, seen: Track, axis: _Axis, y: Scale) -> str:
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
    return marker(mark, 0.5 * (x1 + x2), 0.5 * (y1 + y2), told, 4.5)


def _flips(target: str, record: NightRecord, axis: _Axis, top: float) -> list[str]:
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
        parts.append(text(x + 5, top + 34, "flip" if flip.ok else "flip failed", "small"))
    return parts


# Rows of marks and the ribbon ----------------------------------------------------------------


def _rows(
    events: Sequence[Event], record: NightRecord
) -> list[tuple[str, Mark, list[tuple[float, str, Mark | None]]]]:
    """Return the rows that have something to show."""
    focus: list[tuple[float, str, Mark | None]] = [
        (at, f"focus run, {run.trigger}: {run.reason}", None if run.ok else "cross")
        for at, run in facts_of(events, FocusRun)
    ]
    faults: list[tuple[float, str, Mark | None]] = [
        (fault.began_at_utc_s, f"{fault.began.device}: {fault.began.message}", None)
        for fault in record.faults.values()
    ]
    restarts: list[tuple[float, str, Mark | None]] = [
        (at, "a new daemon took the night over", None)
        for at, began in facts_of(events, NightBegan)
        if began.resumed
    ]
    spoken: list[tuple[float, str, Mark | None]] = [
        (at, f"{said.who}: {said.command} {said.why or ''}".strip(), None)
        for at, said in facts_of(events, OperatorSpoke)
    ]
    rows: list[tuple[str, Mark, list[tuple[float, str, Mark | None]]]] = [
        ("focus", "triangle", focus),
        ("fault", "cross", faults),
        ("restart", "diamond", restarts),
        ("by hand", "dot", spoken),
    ]
    return [row for row in rows if row[2]]


def _row(
    name: str,
    mark: Mark,
    moments: Sequence[tuple[float, str, Mark | None]],
    axis: _Axis,
    top: float,
) -> str:
    middle = top + 0.5 * _ROW_H
    marks = "".join(
        marker(own or mark, axis(at), middle, f"{axis.times.both(at)} {told}", 5.0)
        for at, told, own in moments
    )
    return text(_LEFT - 8, middle + 4, name, "lane", "end") + marks


def _ribbon(ledger: Ledger, axis: _Axis, top: float) -> str:
    patterns = (
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect class="p-lost" width="7" height="7"/>'
        '<rect class="p-line" width="2.6" height="7"/></pattern>'
        '<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<circle class="p-line" cx="3" cy="3" r="1.1"/></pattern></defs>'
    )
    label = text(_LEFT - 8, top + 0.5 * _RIBBON_H + 4, "time", "lane", "end")
    return patterns + label + "".join(_block(span, axis, top) for span in ledger.spans)


def _block(span: Span, axis: _Axis, top: float) -> str:
    """One span; its height tells the kind of use beside its fill."""
    group = group_of(span.cause)
    share = {"light": 1.0, "work": 0.62, "lost": 1.0, "idle": 0.3}[group]
    height = share * _RIBBON_H
    x, width = axis(span.start_utc_s), axis(span.end_utc_s) - axis(span.start_utc_s)
    detail = f", {span.detail}" if span.detail else ""
    told = (
        f"{axis.times.both(span.start_utc_s)} {LABELS[span.cause]}{detail}: "
        f"{duration(span.duration_s)}"
    )
    block = (
        f'<rect class="g-{group}" x="{x:.1f}" y="{top + _RIBBON_H - height:.1f}" '
        f'width="{max(0.3, width):.1f}" height="{height:.1f}"><title>{escape(told)}</title></rect>'
    )
    label = LABELS[span.cause]
    if group == "light" or width < 7.5 * len(label):
        return block
    return block + text(x + 0.5 * width, top + 0.5 * _RIBBON_H + 4, label, "inside", "middle")


def _key() -> str:
    entries = (
        ("k-light", "shutter open"),
        ("k-work", "work around frames"),
        ("k-lost", "lost (weather, faults, pauses)"),
        ("k-idle", "idle"),
    )
    signs = (("━", "accepted frame"), ("✕", "rejected or lost"), ("◇", "doubtful"))
    items = "".join(f'<li><i class="{css}"></i>{name}</li>' for css, name in entries)
    items += "".join(f"<li><b>{sign}</b>{name}</li>" for sign, name in signs)
    return f'<ul class="key">{items}</ul>'
