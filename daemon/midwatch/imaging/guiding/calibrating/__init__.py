"""How guide pulses move the stars, and whether that still holds after a flip."""

from midwatch.imaging.guiding.calibrating.calibration import Calibration, Steering
from midwatch.imaging.guiding.calibrating.calibrator import Calibrator, Done, Failed, PulseStep
from midwatch.imaging.guiding.calibrating.flip_check import FlipCheck, Holds

__all__ = [
    "Calibration", "Calibrator", "Done", "Failed", "FlipCheck", "Holds", "PulseStep", "Steering",
]  # fmt: skip
