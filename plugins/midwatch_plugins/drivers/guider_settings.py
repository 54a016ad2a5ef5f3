"""Settings of the guider, and its figures as its state reports them."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, ValidationError, model_validator

from midwatch.api.driver import (
    DeviceError,
    DriverContext,
    GuideSettings,
    LoopOutput,
    Model,
    Settle,
    SettleRule,
)

# Figures of the state that are figures of the loop, by their names there.
_FIGURES = {
    "rms_ra_arcsec": "rms_ra_arcsec",
    "rms_dec_arcsec": "rms_dec_arcsec",
    "rms_total_arcsec": "rms_total_arcsec",
    "star_snr": "snr",
    "mount_rms_arcsec": "mount_rms_arcsec",
    "seeing_rms_arcsec": "seeing_rms_arcsec",
    "overcorrection_ra": "overcorrection_ra",
    "overcorrection_dec": "overcorrection_dec",
    "drift_ra_arcsec_min": "drift_ra_arcsec_min",
    "drift_dec_arcsec_min": "drift_dec_arcsec_min",
    "period_s": "period_s",
    "periodic_amplitude_arcsec": "periodic_amplitude_arcsec",
    "unguided_blur_60s_arcsec": "unguided_blur_60s_arcsec",
}


class GuiderOptions(Model):
    """Settings of the guider.

    Attributes:
        pixel_um: size of an unbinned pixel of the guide camera; None: as the camera reports.
        focal_length_mm: of the guide scope, or of the main telescope behind an off-axis prism;
            None: as the camera reports.
        exposure_s: of a guide frame. Shorter chases the seeing, longer lets the mount run away.
        longest_exposure_s: to which the exposure is drawn out where no star is bright enough.
        guide_rate: of the mount, as a share of the sidereal rate.
        max_pulse_ms: longest correction of one axis in one cycle.
        declination_corrections: "both_ways", "against_drift", "none", or "automatic".
        dec_follows_sky: whether a pulse north moves north on both sides of the pier; None: find
            out after the first flip.
        periods_s: of the mount's worm, where they are known.
        coast_s: for how long lost stars are bridged by what was learned of the mount.
        most_stars: to measure.
    """

    pixel_um: float | None = Field(default=None, gt=0, le=50)
    focal_length_mm: float | None = Field(default=None, gt=0, le=20_000)
    exposure_s: float = Field(default=2.0, ge=0.1, le=60)
    longest_exposure_s: float = Field(default=8.0, ge=0.1, le=120)
    gain: int = Field(default=0, ge=0)
    offset: int = Field(default=10, ge=0)
    binning: int = Field(default=1, ge=1, le=8)
    guide_rate: float = Field(default=0.5, gt=0, lt=1)
    max_pulse_ms: int = Field(default=2000, gt=0, le=10_000)
    declination_corrections: Literal["automatic", "both_ways", "against_drift", "none"] = (
        "automatic"
    )
    dec_follows_sky: bool | None = None
    periods_s: tuple[float, ...] = ()
    coast_s: float = Field(default=30.0, ge=0, le=600)
    most_stars: int = Field(default=12, ge=1, le=50)

    @model_validator(mode="after")
    def _agree(self) -> GuiderOptions:
        if self.longest_exposure_s < self.exposure_s:
            raise ValueError("longest_exposure_s is shorter than exposure_s")
        return self

    def loop(self, scale_arcsec: float) -> GuideSettings:
        """Return the settings of the loop for a scale of the frames."""
        return GuideSettings(
            scale_arcsec_px=scale_arcsec,
            binning=self.binning,
            cycle_s=self.exposure_s + 0.7,
            guide_rate=self.guide_rate,
            most_stars=self.most_stars,
            max_pulse_ms=self.max_pulse_ms,
            declination_corrections=self.declination_corrections,
            dec_follows_sky=self.dec_follows_sky,
            periods_s=self.periods_s,
            coast_s=self.coast_s,
        )


def read_options(context: DriverContext) -> GuiderOptions:
    """Parse the settings.

    Raises:
        DeviceError: one is unknown or out of range; the message names each.
    """
    try:
        return GuiderOptions.model_validate(dict(context.options))
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(map(str, fault['loc'])) or 'settings'}: {fault['msg']}"
            for fault in error.errors()
        )
        raise DeviceError(f"settings of {context.name} are wrong: {faults}") from error


def rule_of(settle: Settle) -> SettleRule:
    """Return the rule of the loop for a wait for settling."""
    return SettleRule(
        under_arcsec=settle.under_arcsec, hold_s=settle.hold_s, timeout_s=settle.timeout_s
    )


def figures(out: LoopOutput) -> dict[str, float | int | None]:
    """Return the figures for the state; what is not known yet is None."""
    found: dict[str, float | int | None] = {
        field: _known(getattr(out.stats, name)) for field, name in _FIGURES.items()
    }
    error = None if out.error_arcsec is None else round(out.error_arcsec, 3)
    return {**found, "stars": out.stats.stars, "error_arcsec": error}


def _known(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None
