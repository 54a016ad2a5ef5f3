"""What the user may set about guiding, and where the telescope points while it guides."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from midwatch.sky.mounts import CalibrationSide

__all__ = [
    "SIDEREAL_ARCSEC_S", "DeclinationCorrections", "GuideModel", "GuidePointing", "GuideSettings",
]  # fmt: skip

# 360 degrees in one mean sidereal day of 86164.0905 s.
SIDEREAL_ARCSEC_S = 1_296_000.0 / 86_164.0905

DeclinationCorrections = Literal["automatic", "both_ways", "against_drift", "none"]


class GuideModel(BaseModel):
    """A frozen record that goes to and from JSON (`model_dump(mode="json")`)."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class GuidePointing(GuideModel):
    """Where the telescope points, as far as guiding must know.

    Attributes:
        dec_deg: Declination of the field.
        pier_side: Side of the pier that the telescope is on; "none" on mounts without one.
    """

    dec_deg: float = Field(ge=-90, le=90)
    pier_side: CalibrationSide = "unknown"


class GuideSettings(GuideModel):
    """Settings of the guide loop; lengths are on the sky.

    Attributes:
        scale_arcsec_px: Arcseconds a pixel of the frames given, binning included.
        binning: Binning of these frames, to see whether a saved calibration still holds.
        gain_e_adu: Electrons a unit of the pixels, for the photon noise of the stars.
        cycle_s: Expected time from one exposure's beginning to the next; learned once running.
        guide_rate: Guide speed of the mount as a multiple of the sidereal rate.
        most_stars: Stars to measure; more average the seeing better and cost time.
        edge_px: Stars nearer than this to the edge are not chosen.
        max_pulse_ms: Longest pulse in one cycle and axis.
        min_pulse_ms: Shorter pulses are not sent; mounts ignore or quantise them.
        smallest_correction_ra_arcsec: Estimated RA errors below this are left alone.
        smallest_correction_dec_arcsec: The same in declination, where each reversal costs backlash.
        declination_corrections: "both_ways", "against_drift" only, "none", or "automatic": both
            ways until reversals are seen not to be answered.
        dec_follows_sky: Whether a pulse "north" moves north on both sides of the pier; None when
            not known, to be found by a check pulse after a flip.
        periods_s: Known periods of the RA drive, longest first; harmonics are implied. Empty: the
            period is found from what the mount shows.
        calibration_distance_px: How far the stars are moved in each direction by a calibration.
        calibration_most_pulses: Pulses in one direction after which calibrating gives up.
        coast_s: How long the model steers on alone when the stars are lost; then it holds.
        reacquire_px: Radius of the first search for lost stars; it grows with every frame.
        window_s: Time over which the statistics reach back.
    """

    scale_arcsec_px: float = Field(gt=0)
    binning: int = Field(default=1, ge=1)
    gain_e_adu: float = Field(default=1.0, gt=0)
    cycle_s: float = Field(default=2.5, gt=0)
    guide_rate: float = Field(default=0.5, gt=0, le=2)
    most_stars: int = Field(default=12, ge=1)
    edge_px: int = Field(default=20, ge=4)
    max_pulse_ms: int = Field(default=2000, gt=0, le=10_000)
    min_pulse_ms: int = Field(default=10, ge=0)
    smallest_correction_ra_arcsec: float = Field(default=0.03, ge=0)
    smallest_correction_dec_arcsec: float = Field(default=0.08, ge=0)
    declination_corrections: DeclinationCorrections = "automatic"
    dec_follows_sky: bool | None = None
    periods_s: tuple[float, ...] = ()
    calibration_distance_px: float = Field(default=12.0, gt=0)
    calibration_most_pulses: int = Field(default=30, ge=3)
    coast_s: float = Field(default=30.0, ge=0)
    reacquire_px: float = Field(default=12.0, gt=0)
    window_s: float = Field(default=300.0, gt=0)
