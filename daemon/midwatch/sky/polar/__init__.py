"""Where a polar axis points, what that does to frames, and which knob to turn."""

from midwatch.sky.polar.axis import (
    AxisError,
    SolvedFrame,
    WeakGeometryError,
    axis_from_drift,
    axis_from_frames,
    drift_from_frames,
    ground_vectors,
    hemisphere_of,
)
from midwatch.sky.polar.field_rotation import allowable_error_arcmin
from midwatch.sky.polar.knobs import LEAST_LEVERAGE, KnobGuide, KnobTurn, knob_leverage, knob_turns

__all__ = [
    "LEAST_LEVERAGE", "AxisError", "KnobGuide", "KnobTurn", "SolvedFrame", "WeakGeometryError",
    "allowable_error_arcmin", "axis_from_drift", "axis_from_frames", "drift_from_frames",
    "ground_vectors", "hemisphere_of", "knob_leverage", "knob_turns",
]  # fmt: skip
