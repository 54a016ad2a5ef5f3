"""What a night learns of its camera: what its cooler holds, and what could not be matched."""

from __future__ import annotations

from midwatch.journal.facts.fact import Fact

__all__ = ["CalibrationSkipped", "SetPointChosen"]


class SetPointChosen(Fact):
    """The camera is cooled to this from now on, since its cooler holds no less.

    Attributes:
        setpoint_c: chosen, with some reserve.
        holds_c: where the sensor came to its end; ordered_c: where it was meant to come to.
        air_c: temperature of the air then; power_percent: of the cooler; None where not known.
    """

    kind = "set_point_chosen"
    setpoint_c: float
    holds_c: float
    ordered_c: float
    air_c: float | None = None
    power_percent: float | None = None


class CalibrationSkipped(Fact):
    """A set of calibration frames that is not taken tonight, and why.

    Attributes:
        exposure_s: of darks; 0 else.
        sensor_c: temperature of the lights that darks were to match; None where it is no matter.
        missing: how many frames.
    """

    kind = "calibration_skipped"
    frame: str
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    sensor_c: float | None = None
    missing: int
    reason: str
