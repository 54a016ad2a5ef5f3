"""Names of the faults that several parts of the sequencer know."""

from __future__ import annotations

__all__ = [
    "CIRCLE", "CLOCK_JUMPED", "CLOUDS", "HIDDEN", "LINK_FAULTS", "NOT_COLD", "NOT_CONNECTED",
    "NOT_TRACKING", "NO_LIGHT", "RESTART", "SILENT", "UNPLUGGED", "WRONG_HOUR_ANGLE", "WRONG_SIDE",
]  # fmt: skip

SILENT = "silent"
UNPLUGGED = "unplugged"
NOT_CONNECTED = "not_connected"
# The link of a device: it says nothing, it says that its hardware is gone, its link is not open.
LINK_FAULTS = (SILENT, UNPLUGGED, NOT_CONNECTED)

RESTART = "restart_driver"

WRONG_HOUR_ANGLE = "wrong_hour_angle"
NOT_COLD = "not_cold"
WRONG_SIDE = "wrong_side"
NOT_TRACKING = "not_tracking"
NO_LIGHT = "no_light"
CLOCK_JUMPED = "clock_jumped"
CIRCLE = "circle"
# A target near the horizon shows no stars; others may be in the open.
HIDDEN = "hidden"
CLOUDS = "clouds"
