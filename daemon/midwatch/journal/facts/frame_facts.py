"""What can happen to a frame: from its command to its last grade."""

from __future__ import annotations

from midwatch.journal.facts.fact import Fact, Grade

__all__ = [
    "FrameBegun",
    "FrameFiled",
    "FrameGraded",
    "FrameLost",
    "FrameRead",
    "FrameRegraded",
    "SensorMeasured",
]


class FrameBegun(Fact):
    """An exposure is about to be commanded; ``purpose`` is light, dark, flat, bias."""

    kind = "frame_begun"
    exposure_id: str
    frame: str
    target: str | None
    order_index: int | None
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int


class FrameRead(Fact):
    """The driver has the pixels in its spool."""

    kind = "frame_read"
    exposure_id: str
    sha256: str
    began_utc_s: float
    exposure_s: float
    sensor_c: float | None = None


class FrameFiled(Fact):
    """The frame is on disk, complete; path relative to the night's folder."""

    kind = "frame_filed"
    exposure_id: str
    path: str
    file_sha256: str
    bytes: int
    preview: str | None = None


class FrameGraded(Fact):
    """The verdict on a light frame and what was measured on it (None where it could not be).

    Attributes:
        sensor_drift_c: by which the sensor changed during the exposure.
        beyond_darks: that was by more than darks may be away.
    """

    kind = "frame_graded"
    exposure_id: str
    grade: Grade
    reasons: tuple[str, ...] = ()
    stars: int | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    guided: bool = False
    altitude_deg: float | None = None
    focus_position: int | None = None
    sensor_c: float | None = None
    sensor_off_c: float | None = None
    sensor_drift_c: float | None = None
    beyond_darks: bool = False
    offset_arcsec: float | None = None
    noise_adu: float | None = None
    airmass: float | None = None
    star_share: float | None = None
    elongation_pa_deg: float | None = None
    sky_mag: float | None = None
    full_scale_adu: int | None = None
    saturated_percent: float | None = None
    saturated_stars: int | None = None
    trails: int | None = None
    guide_lost_percent: float | None = None
    wind_ms: float | None = None
    electrons_per_adu: float | None = None
    compared: int = 0
    doubt_counts: bool = False


class FrameRegraded(Fact):
    """A later look at a filed light frame, compared with more frames than at first.

    The file keeps the grade of its day: its checksum is in the journal already. ``path`` is where
    it lies from now on; None where it has not moved.
    """

    kind = "frame_regraded"
    exposure_id: str
    grade: Grade
    reasons: tuple[str, ...]
    before: Grade
    compared: int
    star_share: float | None = None
    path: str | None = None


class SensorMeasured(Fact):
    """What a dark or bias frame says about the sensor.

    ``pair_noise_adu`` is the noise of one frame by its difference from the one before.
    """

    kind = "sensor_measured"
    exposure_id: str
    frame: str
    exposure_s: float
    gain: int
    offset: int
    binning: int
    level_adu: float
    pair_noise_adu: float | None = None
    electrons_per_adu: float | None = None


class FrameLost(Fact):
    """An exposure that will never become a frame, and why.

    ``spoilt``: pixels arrived, but not those that the camera says it read out.
    """

    kind = "frame_lost"
    exposure_id: str
    reason: str
    spoilt: bool = False
