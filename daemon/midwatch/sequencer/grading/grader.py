"""What a grader is: it judges light frames by the user's bounds and the night's other frames."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from midwatch.journal.facts import Grade
from midwatch.orders.models import GradingSettings

__all__ = ["Grader", "LightFrame", "Verdict"]


@dataclass(frozen=True, slots=True)
class LightFrame:
    """A light frame as a grader sees it; None where a value could not be measured.

    Attributes:
        exposure_s: as ordered.
        guided: whether the guider followed its star for the exposure.
        guide_rms_arcsec: of both axes, over this exposure; guide_rms_px likewise, image pixels.
        guide_lost_percent: of the exposure, without the guide star; None where guiding was off.
        elongation_pa_deg: position angle of the stars' long axis, east of north, 0 to 180.
        offset_arcsec: from the target; None where the field was not solved.
        airmass: at the middle of the exposure.
        sky_mag: surface brightness expected of a dark site under this Moon and Sun, V magnitudes a
            square arcsecond; only differences mean anything.
        full_scale_adu: at which a pixel is full.
        saturated_percent: of the pixels.
        sensor_off_c: temperature of the sensor above the set point; None without cooling.
        sensor_drift_c: by which the sensor grew warmer during the exposure.
    """

    target: str
    filter: str | None
    exposure_s: float
    guided: bool
    exposure_id: str = ""
    began_utc_s: float = 0.0
    gain: int = 0
    offset: int = 0
    binning: int = 1
    stars: int | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    offset_arcsec: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    noise_adu: float | None = None
    elongation_pa_deg: float | None = None
    guide_rms_px: float | None = None
    guide_lost_percent: float | None = None
    sky_mag: float | None = None
    sun_alt_deg: float | None = None
    moon_alt_deg: float | None = None
    full_scale_adu: int | None = None
    saturated_percent: float | None = None
    trails: int | None = None
    trail_length_px: float | None = None
    wind_ms: float | None = None
    sensor_off_c: float | None = None
    sensor_drift_c: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A grader's opinion; the worst opinion of all graders is the frame's grade.

    Attributes:
        reasons: why, the weightiest first; an accepted frame may have some too.
        star_share: stars by what the other frames let expect, 1 is usual; None without them.
    """

    grade: Grade
    reasons: tuple[str, ...] = field(default=())
    star_share: float | None = None


class Grader(Protocol):
    """Judges light frames by the user's bounds and by the night's own other frames."""

    name: ClassVar[str]

    def grade(
        self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
    ) -> Verdict:
        """Return a verdict; pure and quick.

        Args:
            light: The frame.
            others: The accepted lights of the same target and setting, oldest first, without
                itself. When a frame is looked at again, later ones are among them.
            bounds: What the user set.
        """
