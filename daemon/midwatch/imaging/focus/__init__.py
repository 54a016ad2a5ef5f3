"""Focus runs: where to sample next, the curve through the samples, how a run ended."""

from midwatch.imaging.focus.focus_search import FocusSearch
from midwatch.imaging.focus.samples import FocusMeasure
from midwatch.imaging.focus.task import FocusTask, zone_blur_px
from midwatch.imaging.focus.verdict import FocusVerdict

__all__ = ["FocusMeasure", "FocusSearch", "FocusTask", "FocusVerdict", "zone_blur_px"]
