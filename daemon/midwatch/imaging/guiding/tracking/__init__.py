"""Guide stars: chosen, followed from frame to frame, found again."""

from midwatch.imaging.guiding.tracking.guide_stars import find_guide_stars
from midwatch.imaging.guiding.tracking.hot_pixels import HotPixelMap
from midwatch.imaging.guiding.tracking.tracker import Shift, Tracker

__all__ = ["HotPixelMap", "Shift", "Tracker", "find_guide_stars"]
