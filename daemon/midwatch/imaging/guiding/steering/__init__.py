"""From errors of the guide stars to corrections of both axes."""

from midwatch.imaging.guiding.steering.both_axes import GuidePulse, Memory, Steersman

__all__ = ["GuidePulse", "Memory", "Steersman"]
