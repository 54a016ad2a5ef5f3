"""The small charts of the report: values over the night, and focus curves, in coordinates.

Every chart has a title and a description, and its signs say their values on hover.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from midwatch.reports.marks import Label, Mark, Scale, Sign, points, sign
from midwatch.reports.report_words import LocalTime

__all__ = ["Chart", "Dash", "Picture", "Point", "Series", "curve_chart", "ticks", "time_chart"]

Dash = Literal["solid", "dashed", "none"]

_WIDTH, _HEIGHT = 400, 210
_LEFT, _RIGHT, _TOP, _BOTTOM = 46, 12, 30, 30


@dataclass(frozen=True)
class Point:
    """One value, and what its sign says on hover."""

    x: float
    y: float
    hint: str = ""


@dataclass(frozen=True)
class Series:
    """Points with a sign, a line, or both."""

    label: str
    points: Sequence[Point]
    mark: Mark | None = "dot"
    dash: Dash = "none"


@dataclass(frozen=True)
class Trace:
    """A series as drawn: a line, where it has points, and signs over it."""

    dash: Dash
    line: str
    signs: tuple[Sign, ...]


@dataclass(frozen=True)
class Entry:
    """One entry of the legend: a sign or a piece of line, and its name."""

    name: Label
    dash: Dash
    line: str
    sign: Sign | None


@dataclass(frozen=True)
class Picture:
    """What a chart draws, from the back to the front.

    Attributes:
        left, right, top, bottom: edges of the field in which values are drawn.
        levels: labels of the vertical axis, each with the height of its line across.
        marks: labels of the horizontal axis.
        best_x: where the best position is, in a focus curve.
    """

    width: int
    height: int
    desc: str
    left: int
    right: int
    top: int
    bottom: int
    levels: tuple[tuple[float, Label], ...]
    marks: tuple[Label, ...]
    unit: Label
    best_x: float | None
    traces: tuple[Trace, ...]
    legend: tuple[Entry, ...]
    note: Label | None


@dataclass(frozen=True)
class Chart:
    """A chart with its title; no picture where nothing was measured."""

    title: str
    picture: Picture | None


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
) -> Chart:
    """Return values over the night.

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
        return Chart(title, None)
    low, high = _padded(min([*values, *([] if floor is None else [floor])]), max(values))
    x = Scale(*span_utc_s, _LEFT, _WIDTH - _RIGHT)
    y = Scale(low, high, _HEIGHT - _BOTTOM, _TOP)
    hours = times.hours(*span_utc_s)
    every = max(1, math.ceil(len(hours) / 7))
    marks = [(x(at), shown) for at, shown in hours[::every]]
    desc = f"{len(values)} values from {min(values):.2f} to {max(values):.2f} {unit}"
    traces = tuple(_trace(one, x, y) for one in series)
    return Chart(title, _picture(desc, marks, y, unit, traces, legend=_legend(series)))


def curve_chart(
    title: str, note: str, samples: Series, fit: Series | None, best: Point | None
) -> Chart:
    """Return samples with the curve fitted to them, against focuser position."""
    shown = [*samples.points, *(fit.points if fit else ())]
    if not shown:
        return Chart(title, None)
    x_low, x_high = min(p.x for p in shown), max(p.x for p in shown)
    low, high = _padded(min(0.0, *(p.y for p in shown)), max(p.y for p in shown))
    x = Scale(x_low, x_high, _LEFT + 8, _WIDTH - _RIGHT - 8)
    y = Scale(low, high, _HEIGHT - _BOTTOM, _TOP)
    marks = [(x(value), f"{value:.0f}") for value in ticks(x_low, x_high, 4)]
    traces = tuple(_trace(one, x, y) for one in (fit, samples) if one is not None)
    desc = f"{len(samples.points)} samples; {note}"
    best_x = None if best is None else x(best.x)
    return Chart(title, _picture(desc, marks, y, "px", traces, best_x=best_x, note=note))


def _padded(low: float, high: float) -> tuple[float, float]:
    pad = 0.08 * (high - low) or max(0.05 * abs(high), 0.5)
    return (low if low == 0.0 else low - pad), high + pad


def _picture(
    desc: str,
    marks: Sequence[tuple[float, str]],
    y: Scale,
    unit: str,
    traces: tuple[Trace, ...],
    *,
    legend: tuple[Entry, ...] = (),
    best_x: float | None = None,
    note: str = "",
) -> Picture:
    bottom = _HEIGHT - _BOTTOM
    return Picture(
        width=_WIDTH,
        height=_HEIGHT,
        desc=desc,
        left=_LEFT,
        right=_WIDTH - _RIGHT,
        top=_TOP,
        bottom=bottom,
        levels=_levels(y),
        marks=tuple(Label(at, bottom + 16, shown, "middle") for at, shown in marks),
        unit=Label(_LEFT - 40, 14, unit),
        best_x=best_x,
        traces=traces,
        legend=legend,
        note=Label(_LEFT + 6, bottom - 7, note) if note else None,
    )


def _levels(y: Scale) -> tuple[tuple[float, Label], ...]:
    values = ticks(y.low, y.high)
    step = min((b - a for a, b in pairwise(values)), default=1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step < 1 else 0
    if step in (0.25, 2.5):
        decimals += 1
    return tuple(
        (y(value), Label(_LEFT - 5, y(value) + 4, f"{value:.{decimals}f}", "end"))
        for value in values
    )


def _trace(series: Series, x: Scale, y: Scale) -> Trace:
    at = [(x(point.x), y(point.y)) for point in series.points]
    line = "" if series.dash == "none" else points(at)
    if series.mark is None:
        return Trace(series.dash, line, ())
    signs = tuple(
        sign(series.mark, px, py, point.hint)
        for point, (px, py) in zip(series.points, at, strict=True)
    )
    return Trace(series.dash, line, signs)


def _legend(series: Sequence[Series]) -> tuple[Entry, ...]:
    entries, at = [], _LEFT + 8.0
    for one in series:
        if not one.points or not one.label:
            continue
        if one.dash == "none":
            offset, line = 12, ""
            mark = sign(one.mark, at + 5, 10) if one.mark else None
        else:
            offset, line, mark = 21, points([(at, 10), (at + 16, 10)]), None
        entries.append(Entry(Label(at + offset, 14, one.label), one.dash, line, mark))
        at += offset + 7.2 * len(one.label) + 14
    return tuple(entries)
