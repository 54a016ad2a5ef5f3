"""What a light frame must keep to: the grading part of the rig file."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from midwatch.orders.models.declared import Declared


class GradingSettings(Declared):
    """Bounds by which light frames are judged; a frame past one of them is rejected.

    What changes with altitude, Moon and seeing by itself is allowed for before a frame is compared
    with the others. Close to a bound a frame is kept with doubt. The defaults are common practice,
    no source: tighter ones throw good frames away, looser ones let spoilt frames count.
    """

    min_stars: int = Field(
        default=5, ge=0, description="Fewest stars of a frame, whatever the others show."
    )
    max_star_loss_percent: float = Field(
        default=30,
        gt=0,
        lt=100,
        description="Stars that may be missing from the usual number, after altitude, background "
        "and star size are allowed for, percent.",
    )
    max_hfr_px: float | None = Field(
        default=None, gt=0, description="Largest star size (HFR), pixels; null for no such bound."
    )
    max_hfr_growth_percent: float = Field(
        default=35,
        gt=0,
        description="Growth of the star size over the usual one at this altitude, percent.",
    )
    max_elongation: float = Field(
        default=1.5,
        gt=1,
        le=10,
        description="Longest stars, long over short axis, without what the pixels add. Up to about "
        "1.25 stars look round; at 1.5 a third of the sharpness along the trail is lost. "
        "Frames from 1.4 on are doubted.",
    )
    max_background_growth_percent: float = Field(
        default=150,
        gt=0,
        description="Growth of the background over the latest frames that Moon, twilight and "
        "altitude do not explain, percent.",
    )
    max_background_percent: float = Field(
        default=60, gt=0, le=100, description="Brightest background, percent of full scale."
    )
    max_saturated_percent: float = Field(
        default=2, gt=0, le=100, description="Share of pixels that may be full, percent."
    )
    max_guide_rms_px: float = Field(
        default=1.5,
        gt=0,
        description="Guiding error during the exposure, RMS of both axes, image pixels.",
    )
    max_guide_lost_percent: float = Field(
        default=10,
        gt=0,
        le=100,
        description="Share of the exposure in which a guider that was on had lost its star, "
        "percent.",
    )
    max_offset_arcsec: float = Field(
        default=600, gt=0, description="Distance of the field from the target, arcseconds."
    )
    max_sensor_off_c: float = Field(
        default=2,
        gt=0,
        description="How far darks may be from lights in the sensor's temperature, degrees "
        "Celsius. Each light gets darks as warm as it was; one during whose exposure the sensor "
        "changed by more has none, and is rejected.",
    )
    max_trails: int = Field(
        default=2,
        ge=0,
        description="Trails of satellites and aircraft beyond which a frame is doubted. Stacking "
        "takes single ones out; they never reject a frame.",
    )
    doubtful: Literal["ask_again", "count"] = Field(
        default="ask_again",
        description="Frames kept with doubt: ask_again does not count them, count does.",
    )
