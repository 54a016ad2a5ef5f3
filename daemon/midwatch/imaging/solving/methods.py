"""The ways to solve a frame, one after the other more costly and less particular."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Literal

from midwatch.imaging.solving.blind import solve_blind
from midwatch.imaging.solving.index_files import catalogue_with
from midwatch.imaging.solving.near_hint import FieldHint, SolveFailure
from midwatch.imaging.solving.wide_search import (
    FrameStars,
    solve_area,
    solve_area_and_scale,
    solve_scale,
)
from midwatch.imaging.wcs import Solution
from midwatch.sky.catalogues import SkyCatalogue, StarCatalogue

__all__ = ["SolveMethod", "solve_by"]

# near: about a place; wide: the same in a larger area, at scales a little off, too; scale: about a
# place at any scale; blind: anywhere.
SolveMethod = Literal["near", "wide", "scale", "blind"]


def solve_by(
    method: SolveMethod, stars: FrameStars, hint: FieldHint, folder: Path | None
) -> Solution | SolveFailure:
    """Solve a frame in one of the ways; a plain function so that a worker process can run it.

    The built-in catalogue is asked first, and the index files of the folder only if it does not
    do: fewer stars are the quicker answer, where they suffice.

    Returns:
        The solution, or why there is none, with how many catalogue stars such a frame should hold.
    """
    deep = catalogue_with(folder)
    if method == "blind":
        return solve_blind(stars, hint.scale_arcsec, hint.scale_tolerance, folder, deep)
    searches = {"near": solve_area, "wide": solve_area_and_scale, "scale": solve_scale}
    search = searches[method]
    builtin = StarCatalogue.load()
    found = search(stars, hint, builtin)
    if isinstance(found, SolveFailure) and found.kind != "few_stars" and deep is not builtin:
        found = search(stars, hint, deep)
    if isinstance(found, SolveFailure):
        found = replace(found, expected_stars=_expected_stars(stars.shape, hint, deep))
    return found


def _expected_stars(shape: tuple[int, int], hint: FieldHint, catalogue: SkyCatalogue) -> float:
    """Return how many catalogue stars a frame near the hint holds on average."""
    pixel_deg = hint.scale_arcsec / 3600.0
    radius_deg = max(hint.radius_deg, math.hypot(*shape) * pixel_deg / 2.0)
    cone_deg2 = 2.0 * math.pi * (1.0 - math.cos(math.radians(radius_deg))) * math.degrees(1.0) ** 2
    found = len(catalogue.near(hint.ra_deg, hint.dec_deg, radius_deg))
    return found * shape[0] * shape[1] * pixel_deg**2 / cone_deg2
