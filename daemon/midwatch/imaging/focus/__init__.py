"""Focus runs: where to sample next, the curve through the samples, how a run ended."""

from midwatch.imaging.focus.curve import FocusFit, fit_focus_curve
from midwatch.imaging.focus.focus_search import FocusSearch
from midwatch.imaging.focus.samples import FocusMeasure
from midwatch.imaging.focus.task import FocusTask, zone_blur_px
from midwatch.imaging.focus.verdict import FocusVerdict

__all__ = [
    "FocusFit", "FocusMeasure", "FocusSearch", "FocusTask", "FocusVerdict", "fit_focus_curve",
    "zone_blur_px",
]  # fmt: skip
