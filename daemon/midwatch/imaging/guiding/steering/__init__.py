"""From errors of the guide stars to corrections of both axes."""

from midwatch.imaging.guiding.steering.both_axes import GuideController, GuidePulse, Memory

__all__ = ["GuideController", "GuidePulse", "Memory"]
