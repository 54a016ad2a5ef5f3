"""Solving blind, anywhere on the sky, by an engine that may be installed.

The engine is an optional extra under a licence of its own (GNU General Public License), so that
nothing here needs it, and it is imported only when it is asked. It gets index files from a folder
and never downloads any. What it finds is a hint only: our own solver proves it and measures it.
"""

from __future__ import annotations

import importlib
import importlib.util
from pathlib import Path
from typing import Any

import numpy as np

from midwatch.imaging.solving.index_files import index_files
from midwatch.imaging.solving.near_hint import FieldHint, SolveFailure, solve_field
from midwatch.imaging.solving.wide_search import FrameStars
from midwatch.imaging.wcs import Solution
from midwatch.sky.catalogues import SkyCatalogue

__all__ = ["ENGINE", "blind_trouble", "solve_blind"]

ENGINE = "astrometry"
_INSTALL_ENGINE = "pip install 'midwatch[solve]'"
_INSTALL_STARS = (
    "install index files (Debian: astrometry-data-tycho2-07 for fields of half a degree to one, "
    "-08 to -10 for wider ones) and name their folder in centring.index_folder"
)
# Stars given to the engine: more are slower where the place is hopeless, fewer fail where many
# are false.
_MOST_STARS = 100
# Search no further than this many pairs of patterns: about ten seconds, then the frame is no field.
_MOST_MATCHES = 4_000_000
# Logarithm of the odds at which the engine may stop; it calls 21 a solution.
_ENOUGH_LOGODDS = 60.0


def blind_trouble(folder: Path | None, engine: str = ENGINE) -> str | None:
    """Return what solving blind lacks, and how to get it; None when all is there."""
    if folder is None:
        return f"blind solving has no star lists: {_INSTALL_STARS}"
    if not index_files(folder):
        return f"blind solving finds no index files in {folder}: {_INSTALL_STARS}"
    if importlib.util.find_spec(engine) is None:
        return f"blind solving is not installed: {_INSTALL_ENGINE}"
    return None


def solve_blind(
    stars: FrameStars,
    scale_arcsec: float,
    scale_tolerance: float,
    folder: Path | None,
    catalogue: SkyCatalogue,
) -> Solution | SolveFailure:
    """Find where a frame points without knowing anything of the place.

    Args:
        stars: the stars of the frame.
        scale_arcsec: arcseconds a pixel, as far as it is known.
        scale_tolerance: relative error that it may have; 1.5 takes 0.4 to 2.5 times as much.
        folder: of the index files.
        catalogue: by which our own solver checks and refines what was found.

    Returns:
        The solution, or why there is none; of kind "not_installed" when something is missing.
    """
    trouble = blind_trouble(folder)
    if trouble is not None:
        return SolveFailure("not_installed", trouble)
    assert folder is not None
    usable = np.isfinite(stars.x_px) & np.isfinite(stars.y_px) & np.isfinite(stars.flux)
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(-stars.flux[rows], kind="stable")[:_MOST_STARS]]
    if len(rows) < 4:
        return SolveFailure("few_stars", f"{len(rows)} stars in the frame, at least 4 are needed")
    places = np.column_stack((stars.x_px[rows], stars.y_px[rows])).tolist()
    widest = 1.0 + scale_tolerance
    found = _ask_engine(places, scale_arcsec / widest, scale_arcsec * widest, folder)
    if found is None:
        return SolveFailure(
            "no_match",
            f"{len(rows)} stars match no field of the whole sky in the index files of {folder} at "
            f"{scale_arcsec / widest:.2f} to {scale_arcsec * widest:.2f} arcsec a pixel",
        )
    ra_deg, dec_deg, scale = found
    diagonal_deg = float(np.hypot(*stars.shape)) * scale / 3600.0
    hint = FieldHint(ra_deg % 360.0, dec_deg, 0.25 * diagonal_deg, scale, scale_tolerance=0.02)
    return solve_field(*stars, hint, catalogue)


def _ask_engine(
    places: list[list[float]], low_arcsec: float, high_arcsec: float, folder: Path
) -> tuple[float, float, float] | None:
    """Return centre and scale of the engine's best match."""
    engine: Any = importlib.import_module(ENGINE)

    def enough(logodds: list[float]) -> Any:
        return engine.Action.STOP if logodds[0] > _ENOUGH_LOGODDS else engine.Action.CONTINUE

    with engine.Solver(list(index_files(folder))) as solver:
        answer = solver.solve(
            stars=places,
            size_hint=engine.SizeHint(low_arcsec, high_arcsec),
            position_hint=None,
            solution_parameters=engine.SolutionParameters(
                maximum_matches=_MOST_MATCHES, logodds_callback=enough
            ),
        )
    if not answer.has_match():
        return None
    best = answer.best_match()
    return (
        float(best.center_ra_deg),
        float(best.center_dec_deg),
        float(best.scale_arcsec_per_pixel),
    )
