"""Charts as hand-written SVG: scales, marks, and the small charts of the report.

Marks differ by shape and lines by dash, never by colour alone. Every chart has a title and a
description, and its marks tell their values on hover.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Literal

from midwatch.reports.report_words import LocalTime

__all__ = [
    "Point",
    "Scale",
    "Series",
    "TimeAxis",
    "curve_chart",
    "marker",
    "path",
    "svg",
    "text",
    "time_chart",
]

Mark = Literal["dot", "cross", "diamond", "triangle", "none"]
Dash = Literal["solid", "dashed", "dotted", "none"]

_WIDTH, _HEIGHT = 400, 210
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 12, 30, 30


@dataclass(frozen=True)
class Scale:
    """A linear map from values to pixels; an empty range maps to its middle."""

    low: float
    high: float
    first: float
    last: float

    def __call__(self, value: float) -> float:
        """Return the pixel of a value."""
        if self.high == self.low:
            return 0.5 * (self.first + self.last)
        share = (value - self.low) / (self.high - self.low)
        return self.first + share * (self.last - self.first)


@dataclass(frozen=True)
class TimeAxis:
    """Time to pixels, held inside the axis."""

    start_utc_s: float
    end_utc_s: float
    left: float
    right: float
    times: LocalTime

    def __call__(self, utc_s: float) -> float:
        """Return the pixel of a moment."""
        clipped = min(self.end_utc_s, max(self.start_utc_s, utc_s))
        return Scale(self.start_utc_s, self.end_utc_s, self.left, self.right)(clipped)


@dataclass(frozen=True)
class Point:
    """One value with what its mark tells on hover, and its own mark where it differs."""

    x: float
    y: float
    told: str = ""
    mark: Mark | None = None


@dataclass(frozen=True)
class Series:
    """Points with a mark, a line, or both."""

    label: str
    points: Sequence[Point]
    mark: Mark = "dot"
    dash: Dash = "none"


def svg(width: float, height: float, title: str, desc: str, body: str, css: str = "chart") -> str:
    """Return a picture that scales with its box."""
    return (
        f'<svg class="{css}" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'xmlns="http://www.w3.org/2000/svg"><title>{escape(title)}</title>'
        f"<desc>{escape(desc)}</desc>{body}</svg>"
    )


def text(x: float, y: float, content: str, css: str = "", anchor: str = "start") -> str:
    """Return a text; `anchor` is start, middle or end."""
    cls = f' class="{css}"' if css else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{cls}>{escape(content)}</text>'


def path(points: Sequence[tuple[float, float]], css: str) -> str:
    """Return a line through pixels; nothing for less than two."""
    if len(points) < 2:
        return ""
    steps = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline class="{css}" points="{steps}"/>'


def marker(mark: Mark, x: float, y: float, told: str = "", size: float = 3.2) -> str:
    """Return a mark of a shape of its own."""
    if mark == "none":
        return ""
    shapes = {
        "dot": f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:g}"',
        "cross": f'<path d="M{x - size:.1f} {y - size:.1f}l{2 * size:g} {2 * size:g}'
        f'm0 {-2 * size:g}l{-2 * size:g} {2 * size:g}"',
        "diamond": f'<path d="M{x:.1f} {y - 1.4 * size:.1f}l{1.3 * size:g} {1.4 * size:g}'
        f'l{-1.3 * size:g} {1.4 * size:g}l{-1.3 * size:g} {-1.4 * size:g}z"',
        "triangle": f'<path d="M{x:.1f} {y - 1.4 * size:.1f}l{1.4 * size:g} {2.4 * size:g}'
        f'h{-2.8 * size:g}z"',
    }
    title = f"<title>{escape(told)}</title>" if told else ""
    return f'{shapes[mark]} class="m-{mark}">{title}{_closing(mark)}'


def _closing(mark: Mark) -> str:
    return "</circle>" if mark == "dot" else "</path>"


def ticks(low: float, high: float, wanted: int = 4) -> list[float]:
    """Return round values within a range, about as many as wanted; one for an empty range."""
    if not high > low:
        return [low]
    rough = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((power * m for m in (1, 2, 2.5, 5, 10) if power * m >= rough), power * 10)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def time_chart(
    title: str,
    unit: str,
    series: Sequence[Series],
    span_utc_s: tuple[float, float],
    times: LocalTime,
    floor: float | None = None,
) -> str:
    """Return values over the night; a sentence instead where there are none.

    Args:
        title: What is shown.
        unit: Unit of the values, shown with the title.
        series: What is drawn; `x` of the points are POSIX seconds UTC.
        span_utc_s: Beginning and end of the time axis.
        times: How times are shown.
        floor: The axis reaches down to this at least.
    """
    values = [point.y for one in series for point in one.points]
    if not values:
        return _empty(title)
    low, high = _padded(min([*values, *([] if floor is None else [floor])]), max(values))
    x = Scale(*span_utc_s, _LEFT, _WIDTH - _RIGHT)
    y = Scale(low, high, _HEIGHT - _BOTTOM, _TOP)
    hours = times.hours(*span_utc_s)
    every = max(1, math.ceil(len(hours) / 7))
    marks = [(x(at), shown) for at, shown, _ in hours[::every]]
    desc = f"{len(values)} values from {min(values):.2f} to {max(values):.2f} {unit}"
    body = _frame(marks, y, unit) + "".join(_draw(one, x, y) for one in series)
    return _figure(title, desc, body + _legend(series))


def curve_chart(
    title: str, note: str, samples: Series, fit: Series | None, best: Point | None
) -> str:
    """Return samples with the curve fitted to them, against focuser position."""
    points = [*samples.points, *(fit.points if fit else ())]
    if not points:
        return _empty(title)
    x_low, x_high = min(p.x for p in points), max(p.x for p in points)
    low, high = _padded(min(0.0, *(p.y for p in points)), max(p.y for p in points))
    x = Scale(x_low, x_high, _LEFT + 8, _WIDTH - _RIGHT - 8)
    y = Scale(low, high, _HEIGHT - _BOTTOM, _TOP)
    marks = [(x(value), f"{value:.0f}") for value in ticks(x_low, x_high, 4)]
    body = _frame(marks, y, "px")
    if best is not None:
        body += f'<line class="best" x1="{x(best.x):.1f}" x2="{x(best.x):.1f}" y1="{_TOP}" '
        body += f'y2="{_HEIGHT - _BOTTOM}"/>'
    body += (_draw(fit, x, y) if fit else "") + _draw(samples, x, y)
    desc = f"{len(samples.points)} samples; {note}"
    return _figure(title, desc, body + text(_LEFT + 6, _HEIGHT - _BOTTOM - 7, note, "note"))


def _figure(title: str, desc: str, body: str) -> str:
    picture = svg(_WIDTH, _HEIGHT, title, desc, body)
    return f"<figure><figcaption>{escape(title)}</figcaption>{picture}</figure>"


def _empty(title: str) -> str:
    return f"<figure><figcaption>{escape(title)}</figcaption><p>Nothing was measured.</p></figure>"


def _padded(low: float, high: float) -> tuple[float, float]:
    pad = 0.08 * (high - low) or max(0.05 * abs(high), 0.5)
    return (low if low == 0.0 else low - pad), high + pad


def _frame(x_marks: Sequence[tuple[float, str]], y: Scale, unit: str) -> str:
    bottom, right = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT
    values = ticks(y.low, y.high)
    step = min((b - a for a, b in pairwise(values)), default=1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step < 1 else 0
    if step in (0.25, 2.5):
        decimals += 1
    parts = [f'<line class="axis" x1="{_LEFT}" x2="{right}" y1="{bottom}" y2="{bottom}"/>']
    for value in values:
        at_y = y(value)
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{right}" y1="{at_y:.1f}" y2="{at_y:.1f}"/>'
        )
        parts.append(text(_LEFT - 5, at_y + 4, f"{value:.{decimals}f}", "tick", "end"))
    parts += [text(at, bottom + 16, shown, "tick", "middle") for at, shown in x_marks]
    parts.append(text(_LEFT - 40, 14, unit, "tick"))
    return "".join(parts)


def _draw(series: Series, x: Scale, y: Scale) -> str:
    at = [(x(point.x), y(point.y)) for point in series.points]
    line = "" if series.dash == "none" else path(at, f"line {series.dash}")
    marks = "".join(
        marker(point.mark or series.mark, px, py, point.told)
        for point, (px, py) in zip(series.points, at, strict=True)
    )
    return line + marks


def _legend(series: Sequence[Series]) -> str:
    parts, at = [], _LEFT + 8.0
    for one in series:
        if not one.points or not one.label:
            continue
        if one.dash == "none":
            parts.append(marker(one.mark, at + 5, 10))
        else:
            parts.append(path([(at, 10), (at + 16, 10)], f"line {one.dash}"))
        offset = 12 if one.dash == "none" else 21
        parts.append(text(at + offset, 14, one.label, "tick"))
        at += offset + 7.2 * len(one.label) + 14
    return "".join(parts)
