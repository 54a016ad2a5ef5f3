"""From pixels to numbers: stars, focus, plate solving, files and previews."""

from __future__ import annotations

from midwatch.imaging.fits import (
    Card,
    CardValue,
    FileFacts,
    FitsFile,
    read_fits,
    verify_checksum,
    write_fits,
)
from midwatch.imaging.focus_curve import FocusFit, FocusProblem, fit_focus_curve
from midwatch.imaging.frames import Frame, luminance
from midwatch.imaging.header import FrameHeader, ImageType, light_cards
from midwatch.imaging.preview import preview_png
from midwatch.imaging.solving import FieldHint, SolveFailure, solve_field
from midwatch.imaging.stars import StarMeasures, StarTable, measure_stars
from midwatch.imaging.trails import Trail, find_trails
from midwatch.imaging.wcs import Solution
from midwatch.imaging.worker import InlineMeasurer, Measurer, MeasurerDiedError, ProcessMeasurer
from midwatch.imaging.zones import FieldShape, SkyLevels, Zone, sky_levels

__all__ = [
    "Card",
    "CardValue",
    "FieldHint",
    "FieldShape",
    "FileFacts",
    "FitsFile",
    "FocusFit",
    "FocusProblem",
    "Frame",
    "FrameHeader",
    "ImageType",
    "InlineMeasurer",
    "Measurer",
    "MeasurerDiedError",
    "ProcessMeasurer",
    "SkyLevels",
    "Solution",
    "SolveFailure",
    "StarMeasures",
    "StarTable",
    "Trail",
    "Zone",
    "find_trails",
    "fit_focus_curve",
    "light_cards",
    "luminance",
    "measure_stars",
    "preview_png",
    "read_fits",
    "sky_levels",
    "solve_field",
    "verify_checksum",
    "write_fits",
]
