"""What one file shows, as the JSON has it."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import Any

from midwatch.imaging import Solution
from midwatch.imaging.files import AnyFrame, read_any_frame
from midwatch.imaging.solving import FieldHint, FrameStars, SolveFailure, solve_by
from midwatch.imaging.stars import StarMeasures, measure_stars
from midwatch.orders.models import AngleError, GradingSettings, parse_dec_deg, parse_ra_deg
from midwatch.sequencer.duties import load_registry
from midwatch.sequencer.grading import LightFrame, judge

__all__ = ["content_of"]

_ARCSEC_PER_RAD = 206_264.806
# How far the place of a header may be off, and the scale of focal length and pixel.
_RADIUS_DEG, _SCALE_TOLERANCE = 1.0, 0.05
_NOT_LIGHT = ("dark", "bias", "flat", "zero", "offset")


def content_of(path: Path, args: argparse.Namespace) -> dict[str, Any]:
    """Read, measure, judge and, if asked, solve one file.

    Raises:
        FrameFileError: it holds no frame that could be measured.
        OSError: it cannot be read.
    """
    read = read_any_frame(path)
    scale_arcsec = args.scale or _scale_of(read.header)
    found = measure_stars(read.frame, scale_arcsec=scale_arcsec)
    grade, reasons = _graded(path, read, found)
    content: dict[str, Any] = {
        "file": str(path),
        "width_px": read.frame.data.shape[1],
        "height_px": read.frame.data.shape[0],
        "bayer": read.frame.bayer,
        "scale_arcsec": _known(scale_arcsec),
        "stars": found.count,
        "good_stars": found.good_count,
        "hfr_px": _known(found.hfr_px),
        "hfr_scatter_px": _known(found.hfr_scatter_px),
        "fwhm_px": _known(found.fwhm_px),
        "fwhm_arcsec": _known(found.fwhm_arcsec),
        "elongation": _known(found.elongation),
        "elongation_deg": _known(found.elongation_deg),
        "background": _known(read.level + read.step * found.background_adu, 6),
        "noise": _known(read.step * found.noise_adu, 6),
        "saturated_stars": found.saturated_count,
        "saturated_percent": _known(100.0 * found.saturated_fraction),
        "tilt_percent": _known(found.field.tilt_percent),
        "trails": [
            {"x0_px": t.x0_px, "y0_px": t.y0_px, "x1_px": t.x1_px, "y1_px": t.y1_px}
            for t in found.trails
        ],
        "grade": grade,
        "reasons": reasons,
    }
    if args.solve:
        content["solution"] = _solved(read, found, scale_arcsec, args)
    return content


def _graded(path: Path, read: AnyFrame, found: StarMeasures) -> tuple[str | None, list[str]]:
    """Judge a light by bounds that need no other frames, those of a rig file without any."""
    kind = str(read.header.get("IMAGETYP", "")).strip().lower()
    if any(word in kind for word in _NOT_LIGHT):
        return None, [f"not judged: the header says {kind}"]
    light = LightFrame(
        target=str(read.header.get("OBJECT", "")),
        filter=str(read.header.get("FILTER", "")),
        exposure_s=_number(read.header, "EXPTIME", "EXPOSURE") or 0.0,
        guided=False,
        exposure_id=str(path),
        stars=found.count,
        hfr_px=_known(found.hfr_px),
        elongation=_known(found.elongation),
        background_adu=found.background_adu if read.step == 1.0 else None,
        full_scale_adu=round(read.frame.saturation_adu),
        saturated_percent=100.0 * found.saturated_fraction,
        trails=len(found.trails),
        trail_length_px=sum(trail.length_px for trail in found.trails),
    )
    verdict, _ = judge(load_registry().graders, [], light, GradingSettings())
    if verdict.grade == "accepted":
        return verdict.grade, ["inside all bounds that need no other frames"]
    return verdict.grade, list(verdict.reasons)


def _solved(
    read: AnyFrame, found: StarMeasures, scale_arcsec: float | None, args: argparse.Namespace
) -> dict[str, Any]:
    place: tuple[float, float] | None = args.near or _place_of(read.header)
    if place is None or scale_arcsec is None:
        missing = "a place (--near RA,DEC)" if place is None else "a scale (--scale)"
        return {"solved": False, "reason": f"neither header nor command line give {missing}"}
    ra_deg, dec_deg = place
    radius_deg = args.radius or _RADIUS_DEG
    hint = FieldHint(ra_deg, dec_deg, radius_deg, scale_arcsec, _SCALE_TOLERANCE)
    table_ = found.stars
    stars = FrameStars(table_.x_px, table_.y_px, table_.flux_adu, read.frame.data.shape)
    solution = solve_by("wide", stars, hint, args.index_folder)
    if isinstance(solution, SolveFailure) and solution.kind == "no_match":
        other = solve_by("scale", stars, hint, args.index_folder)
        solution = other if isinstance(other, Solution) else solution
    if isinstance(solution, SolveFailure):
        return {"solved": False, "reason": solution.reason}
    return {
        "solved": True,
        "ra_deg": round(solution.ra_deg, 6),
        "dec_deg": round(solution.dec_deg, 6),
        "rotation_deg": round(solution.rotation_deg, 3),
        "scale_arcsec": round(solution.scale_arcsec, 5),
        "mirrored": solution.parity < 0,
        "matched": solution.matched,
        "rms_arcsec": round(solution.rms_arcsec, 3),
    }


def _scale_of(header: dict[str, Any]) -> float | None:
    """Return arcseconds a pixel: by the solution in the header, else by pixel and focal length."""
    cd = [_number(header, f"CD{i}_{j}") for i in (1, 2) for j in (1, 2)]
    if None not in cd:
        a, b, c, d = (float(value or 0.0) for value in cd)
        area = abs(a * d - b * c)
        if area > 0.0:
            return 3600.0 * math.sqrt(area)
    across, down = _number(header, "CDELT1"), _number(header, "CDELT2")
    if across and down and str(header.get("CTYPE1", "")).startswith("RA"):
        return 3600.0 * math.sqrt(abs(across * down))
    pixel_um, focal_mm = _number(header, "XPIXSZ"), _number(header, "FOCALLEN")
    if pixel_um and focal_mm and pixel_um > 0.0 and focal_mm > 0.0:
        return _ARCSEC_PER_RAD * pixel_um / 1000.0 / focal_mm
    return None


def _place_of(header: dict[str, Any]) -> tuple[float, float] | None:
    """Return where the header says that the frame points."""
    if str(header.get("CTYPE1", "")).startswith("RA"):
        ra, dec = _number(header, "CRVAL1"), _number(header, "CRVAL2")
        if ra is not None and dec is not None and abs(dec) <= 90.0:
            return ra % 360.0, dec
    for ra_key, dec_key in (("RA", "DEC"), ("OBJCTRA", "OBJCTDEC")):
        if ra_key in header and dec_key in header:
            try:
                return parse_ra_deg(header[ra_key]), parse_dec_deg(header[dec_key])
            except (AngleError, TypeError):
                continue
    return None


def _number(header: dict[str, Any], *keywords: str) -> float | None:
    for keyword in keywords:
        value = header.get(keyword)
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return float(value)
    return None


def _known(value: float | None, digits: int = 4) -> float | None:
    return round(float(value), digits) if value is not None and math.isfinite(value) else None
