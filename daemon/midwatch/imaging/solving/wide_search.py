"""Solving where little is known: far from the hint, or at another scale than expected.

The solver needs the frame's stars among those that it pairs, so one search covers a radius of
little more than the field itself. Larger areas are searched in overlapping circles, the nearest to
the hint first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.solving.near_hint import FieldHint, SolveFailure, solve_field
from midwatch.imaging.wcs import Solution, deproject
from midwatch.sky.catalogues import SkyCatalogue

__all__ = ["FrameStars", "reach_deg", "solve_area", "solve_area_and_scale", "solve_scale"]

FloatArray = NDArray[np.float64]

# Radius of one search in square roots of the field's area: as far as the brightest stars of the
# circle, of which the solver pairs some hundreds, still hold some of every field in it.
_CIRCLE = 1.3
# More circles than this cost seconds, and each is one more occasion for a false solution.
_MOST_CIRCLES = 60
# Scales are tried in steps that their tolerance just covers, out to this factor.
_SCALE_STEP = 1.055
_SCALE_TOLERANCE = 0.03
_MOST_SCALE_FACTOR = 2.6
# An area is searched at scales a step to either side as well while the scale has not been
# learned, out to this radius: a reducer out of its place and a mount that is off come together.
_OTHER_SCALES_DEG = 4.0


class FrameStars(NamedTuple):
    """The stars of a frame as `solve_field` takes them: columns of shape (N,), and (rows, columns).

    Attributes:
        x_px: from the centre of the first pixel along a row.
        y_px: along a column.
        flux: light in any unit.
        shape: rows and columns of the frame.
    """

    x_px: FloatArray
    y_px: FloatArray
    flux: FloatArray
    shape: tuple[int, int]


def reach_deg(shape: tuple[int, int], scale_arcsec: float) -> float:
    """Return the largest radius that `solve_area` searches for frames of a size, degrees."""
    return math.sqrt(_MOST_CIRCLES / 1.5) * _circle_deg(shape, scale_arcsec)


def solve_area(
    stars: FrameStars, hint: FieldHint, catalogue: SkyCatalogue
) -> Solution | SolveFailure:
    """Find where a frame points within any radius of the hint, up to `reach_deg`.

    Returns:
        The solution, or why there is none; the reason names the radius that was searched.
    """
    circle_deg = _circle_deg(stars.shape, hint.scale_arcsec)
    if hint.radius_deg <= circle_deg:
        return solve_field(*stars, hint, catalogue)
    radius_deg = min(hint.radius_deg, reach_deg(stars.shape, hint.scale_arcsec))
    first: SolveFailure | None = None
    for ra_deg, dec_deg in _circles(hint.ra_deg, hint.dec_deg, radius_deg, circle_deg):
        part = replace(hint, ra_deg=ra_deg, dec_deg=dec_deg, radius_deg=circle_deg)
        found = solve_field(*stars, part, catalogue)
        if isinstance(found, Solution):
            return found
        if found.kind == "few_stars":
            return found
        first = first or found
    assert first is not None
    reason = (
        f"{len(stars.x_px)} stars match no field within {radius_deg:.1f} degrees of "
        f"{hint.ra_deg:.3f} {hint.dec_deg:+.3f} at {hint.scale_arcsec:.3f} arcsec a pixel"
    )
    return first if first.kind != "no_match" else SolveFailure("no_match", reason)


def solve_area_and_scale(
    stars: FrameStars, hint: FieldHint, catalogue: SkyCatalogue
) -> Solution | SolveFailure:
    """Find where a frame points as `solve_area` does, then with a scale up to 8 percent off.

    Other scales are tried only while the scale is not well known, and within four degrees.
    """
    found = solve_area(stars, hint, catalogue)
    if isinstance(found, Solution) or found.kind == "few_stars":
        return found
    if hint.scale_tolerance < _SCALE_TOLERANCE:
        return found
    for factor in (_SCALE_STEP, 1.0 / _SCALE_STEP):
        other = replace(
            hint,
            scale_arcsec=hint.scale_arcsec * factor,
            scale_tolerance=_SCALE_TOLERANCE,
            radius_deg=min(hint.radius_deg, _OTHER_SCALES_DEG),
        )
        again = solve_area(stars, other, catalogue)
        if isinstance(again, Solution):
            return again
    return found


def solve_scale(
    stars: FrameStars, hint: FieldHint, catalogue: SkyCatalogue
) -> Solution | SolveFailure:
    """Find where a frame points if its scale is not the hint's, but up to 2.6 times more or less.

    For after a search at the expected scale has failed; scales nearest to it come first.
    """
    steps = math.floor(math.log(_MOST_SCALE_FACTOR) / math.log(_SCALE_STEP))
    found: Solution | SolveFailure = SolveFailure("no_match", "no scale was tried")
    for step in range(1, steps + 1):
        for factor in (_SCALE_STEP**step, _SCALE_STEP**-step):
            scale = hint.scale_arcsec * factor
            radius = min(hint.radius_deg, _circle_deg(stars.shape, scale))
            other = replace(
                hint, scale_arcsec=scale, scale_tolerance=_SCALE_TOLERANCE, radius_deg=radius
            )
            found = solve_field(*stars, other, catalogue)
            if isinstance(found, Solution) or found.kind == "few_stars":
                return found
    return SolveFailure(
        "no_match",
        f"no scale from {hint.scale_arcsec / _MOST_SCALE_FACTOR:.2f} to "
        f"{hint.scale_arcsec * _MOST_SCALE_FACTOR:.2f} arcsec a pixel fits either",
    )


def _circle_deg(shape: tuple[int, int], scale_arcsec: float) -> float:
    return _CIRCLE * math.sqrt(shape[0] * shape[1]) * scale_arcsec / 3600.0


def _circles(
    ra_deg: float, dec_deg: float, radius_deg: float, circle_deg: float
) -> Iterator[tuple[float, float]]:
    """Yield centres of circles that cover a larger one: a triangular lattice, from inside out.

    Circles about the points of a triangular lattice cover the plane when its spacing is the root
    of three times their radius. On the sphere the gnomonic plane stretches away from the middle,
    so points are set by angular distance instead, which brings them closer together.
    """
    spacing = math.sqrt(3.0) * circle_deg
    rows = math.ceil(radius_deg / (spacing * math.sqrt(0.75))) + 1
    points = [
        (spacing * (column + 0.5 * (row % 2)), spacing * math.sqrt(0.75) * row)
        for row in range(-rows, rows + 1)
        for column in range(-rows, rows + 1)
    ]
    inside = sorted(
        (round(math.hypot(x, y), 9), x, y)
        for x, y in points
        if math.hypot(x, y) < radius_deg + 0.9 * circle_deg
    )
    for distance, x, y in inside:
        stretch = 1.0
        if distance > 0.0:
            angle = math.radians(min(distance, 85.0))
            stretch = math.degrees(math.tan(angle)) / distance
        ra, dec = deproject(x * stretch, y * stretch, ra_deg, dec_deg)
        yield float(ra), float(dec)
