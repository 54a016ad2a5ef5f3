"""Solutions of cameras that solve on board, held to the way in which they were asked for."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Literal

from midwatch.devices.contract.kinds import FrameFacts
from midwatch.imaging import Solution
from midwatch.imaging.solving import FieldHint, SolveFailure, SolveMethod, blind_trouble
from midwatch.sky import separation_deg


def solved_on_board(
    method: SolveMethod,
    facts: FrameFacts,
    shape: tuple[int, int],
    binning: int,
    hint: FieldHint,
    folder: Path | None,
) -> Solution | SolveFailure:
    """Return the solution that a camera brings with its frame, where this way would have found it.

    Args:
        method: the way; a place or scale outside of what it searches counts as not found.
        facts: what the camera has measured.
        shape: rows and columns of the frame.
        binning: of the frame; the facts' scale is that of an unbinned pixel.
        hint: where and at what scale the frame was expected, as for `solve_by`.
        folder: of the index files, which solving blind needs.
    """
    if facts.ra_deg is None or facts.dec_deg is None or facts.scale_arcsec is None:
        kind: Literal["few_stars", "no_match"] = "few_stars" if facts.stars < 8 else "no_match"
        return SolveFailure(kind, f"the camera could not solve it, with {facts.stars} stars")
    scale_arcsec = facts.scale_arcsec * binning
    if method == "blind":
        trouble = blind_trouble(folder)
        if trouble is not None:
            return SolveFailure("not_installed", trouble)
    else:
        away_deg = float(separation_deg(facts.ra_deg, facts.dec_deg, hint.ra_deg, hint.dec_deg))
        if away_deg > hint.radius_deg:
            return SolveFailure("no_match", f"no field within {hint.radius_deg:g} degrees fits")
    off = abs(math.log(scale_arcsec / hint.scale_arcsec))
    if method != "scale" and off > math.log1p(hint.scale_tolerance):
        return SolveFailure("no_match", f"no field fits at {hint.scale_arcsec:.3f} arcsec a pixel")
    rotation_deg = facts.rotation_deg or 0.0
    turn, step = math.radians(rotation_deg), scale_arcsec / 3600.0
    rows, columns = shape
    return Solution(
        ra_deg=facts.ra_deg,
        dec_deg=facts.dec_deg,
        rotation_deg=rotation_deg,
        scale_arcsec=scale_arcsec,
        parity=1,
        rms_arcsec=0.0,
        matched=facts.stars,
        n_stars=facts.stars,
        shape=shape,
        crpix=((columns + 1) / 2.0, (rows + 1) / 2.0),
        crval_deg=(facts.ra_deg, facts.dec_deg),
        cd=(
            (-step * math.cos(turn), step * math.sin(turn)),
            (step * math.sin(turn), step * math.cos(turn)),
        ),
    )
