"""A chart of a target's altitude through the night, in characters.

The sky is drawn as one would see it from the telescope: the target's track over whatever is
in front of it at its azimuth, with the hours in which it can be imaged underneath.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np
from numpy.typing import NDArray

from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan
from midwatch.sky import Observer

_STEP_DEG = 10.0
_LOWEST_TOP_DEG = 40.0


@dataclass(frozen=True)
class Marks:
    """The characters of a chart."""

    track: str
    ground: str
    wall: str
    dark: str
    twilight: str
    usable: str
    degree: str


UNICODE = Marks("•", "▒", "│", "─", "·", "━", "°")
ASCII = Marks("o", "#", "|", "-", ".", "=", " ")


def altitude_chart(
    night: Night, plan: NightPlan, target: TargetPlan, width: int, marks: Marks = UNICODE
) -> list[str]:
    """Draw one target from before dusk until after dawn.

    Args:
        night: with the horizon.
        plan: the fixed hours; the chart runs from preparation to half an hour past dawn.
        target: whose track.
        width: columns of the whole chart; below 30 it is 30.
        marks: the characters to draw with.

    Returns:
        Lines: the sky, top first, the usable hours, the hours of the clock.
    """
    columns = max(width, 30) - 7
    start, end = plan.prepare_from_s, plan.dawn_s + 1800.0
    times = start + (np.arange(columns) + 0.5) * (end - start) / columns
    place = target.target
    alt, az = Observer(night.place).altaz(*place.motion.positions_at(times), times)
    limits = night.rig.limits
    lowest = max(limits.min_altitude_deg, place.order.min_altitude_deg or 0.0)
    ground = np.maximum(night.horizon.raised(limits.horizon_margin_deg).altitude_deg(az), lowest)
    top = max(_LOWEST_TOP_DEG, math.ceil(float(alt.max()) / _STEP_DEG) * _STEP_DEG)
    rows = []
    for level in np.arange(top - _STEP_DEG, -1.0, -_STEP_DEG):
        cells = "".join(
            _cell(float(a), float(g), float(level), marks) for a, g in zip(alt, ground, strict=True)
        )
        rows.append(f"{level:4.0f}{marks.degree} {marks.wall}{cells}".rstrip())
    return [*rows, _usable_line(plan, target, times, marks)]


def _cell(alt: float, ground: float, level: float, marks: Marks) -> str:
    if level <= alt < level + _STEP_DEG:
        return marks.track
    # A cell is ground if more than half of it is hidden.
    return marks.ground if ground > level + _STEP_DEG / 2.0 else " "


def _usable_line(
    plan: NightPlan, target: TargetPlan, times: NDArray[np.float64], marks: Marks
) -> str:
    def mark(at: float) -> str:
        if any(window.contains(at) for window in target.windows):
            return marks.usable
        return marks.dark if plan.dusk_s <= at <= plan.dawn_s else marks.twilight

    return f"      {marks.wall}{''.join(mark(float(at)) for at in times)}"


def hour_line(plan: NightPlan, zone: tzinfo, width: int) -> str:
    """The hours of the clock at the site under charts of the same night and width."""
    columns = max(width, 30) - 7
    start, end = plan.prepare_from_s, plan.dawn_s + 1800.0
    per_hour = columns * 3600.0 / (end - start)
    every = next((n for n in (1, 2, 3, 4, 6) if n * per_hour >= 4.0), 6)
    cells = [" "] * columns
    for hour_s in _full_hours(start, end):
        local = datetime.fromtimestamp(hour_s, zone)
        column = int((hour_s - start) / (end - start) * columns)
        text = f"{local:%H}"
        if local.hour % every == 0 and column + len(text) <= columns:
            cells[column : column + len(text)] = text
    return " " * 7 + "".join(cells).rstrip()


def _full_hours(start: float, end: float) -> Sequence[float]:
    first = math.ceil(start / 3600.0)
    return [hour * 3600.0 for hour in range(first, math.floor(end / 3600.0) + 1)]
