"""What pictures are made of: scales, and labels, lines and signs at their coordinates.

Signs differ by shape and lines by dash, never by colour alone. Coordinates are pixels of the
picture; the templates draw elements at them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from midwatch.reports.report_words import LocalTime

__all__ = ["Anchor", "Label", "Mark", "Scale", "Sign", "TimeAxis", "points", "sign"]

Mark = Literal["dot", "cross", "diamond", "triangle"]
Anchor = Literal["start", "middle", "end"]


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
class Label:
    """A text at a place; `anchor` is the side that lies there."""

    x: float
    y: float
    text: str
    anchor: Anchor = "start"


@dataclass(frozen=True)
class Sign:
    """A sign of a shape of its own, and what is read on hover.

    Attributes:
        size: half its width, in words.
        outline: its path, for every shape but a dot.
    """

    shape: Mark
    x: float
    y: float
    size: str
    outline: str
    hint: str


def points(run: Sequence[tuple[float, float]]) -> str:
    """Return the points of a line through pixels; "" for less than two."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in run) if len(run) > 1 else ""


def sign(shape: Mark, x: float, y: float, hint: str = "", size: float = 3.2) -> Sign:
    """Return a sign around a place."""
    return Sign(shape, x, y, f"{size:g}", _outline(shape, x, y, size), hint)


def _outline(shape: Mark, x: float, y: float, size: float) -> str:
    if shape == "cross":
        return (
            f"M{x - size:.1f} {y - size:.1f}l{2 * size:g} {2 * size:g}"
            f"m0 {-2 * size:g}l{-2 * size:g} {2 * size:g}"
        )
    if shape == "diamond":
        return (
            f"M{x:.1f} {y - 1.4 * size:.1f}l{1.3 * size:g} {1.4 * size:g}"
            f"l{-1.3 * size:g} {1.4 * size:g}l{-1.3 * size:g} {-1.4 * size:g}z"
        )
    if shape == "triangle":
        return f"M{x:.1f} {y - 1.4 * size:.1f}l{1.4 * size:g} {2.4 * size:g}h{-2.8 * size:g}z"
    return ""
