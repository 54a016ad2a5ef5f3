"""Settings of the simulated mount."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from midwatch_simulators.base import Options

# Characters of mounts: a well-made one, and a light one with a coarse worm (common practice, no
# source). Settings of their own go before those of the character.
_CHARACTERS: dict[str, dict[str, object]] = {
    "smooth": {
        "worm_arcsec": 6.0,
        "worm_period_s": 480.0,
        "worm_harmonics": (0.2, 0.1),
        "dec_backlash_arcsec": 1.5,
        "wind_arcsec_per_ms": 0.05,
        "polar_high_arcmin": 0.4,
        "polar_east_arcmin": -0.5,
    },
    "rough": {
        "worm_arcsec": 36.0,
        "worm_period_s": 430.0,
        "worm_harmonics": (0.35, 0.2, 0.1),
        "dec_backlash_arcsec": 9.0,
        "dec_stick_arcsec": 1.2,
        "wind_arcsec_per_ms": 0.25,
        "polar_high_arcmin": 2.0,
        "polar_east_arcmin": -2.5,
    },
}


class MountOptions(Options):
    """Settings of the simulated mount.

    Attributes:
        geometry: "german" or "fork".
        character: "smooth" or "rough" sets what is not set here.
        pointing_error_arcmin: spread of the error after a slew before any sync, besides what the
            misaligned axis and the air do.
        flexure_arcsec: spread of what changes as the polar axis turns.
        repeat_arcsec: spread of the error after a long slew back to the same position.
        worm_arcsec: periodic error, peak to peak of its first harmonic.
        worm_harmonics: sizes of the second, third ... harmonic as shares of the first.
        polar_high_arcmin: how much too high the axis points.
        polar_east_arcmin: how much too far east the axis points, azimuth angle.
        person_at_knobs: whether a person turns the knobs of the base as guidance says.
        dec_backlash_arcsec: lost at each reversal of a guide pulse in declination.
        dec_stick_arcsec: held back after a reversal beyond that, then let go at once.
        dec_follows_sky: whether a pulse "north" moves north on both sides of the pier; else it
            moves south on the east side.
        wind_arcsec_per_ms: shake, one axis, by each m/s of gust above a calm wind.
        guide_rate: of the sidereal rate.
        lowest_alt_deg: the mount's own limit; it refuses and stops there.
        past_meridian_deg: how far the counterweight of a German mount may rise above the
            horizontal.
        cable_deg: how far the polar axis of a fork turns to either side before its cables end.
        base_clear_deg: nearest to the pole that a fork goes, for the sake of the camera.
    """

    geometry: Literal["german", "fork"] = "german"
    character: Literal["smooth", "rough"] | None = None
    slew_rate_deg_s: float = Field(default=3.0, gt=0, le=20)
    slew_accel_deg_s2: float = Field(default=1.5, gt=0, le=20)
    settle_s: float = Field(default=3.0, ge=0, le=60)
    pointing_error_arcmin: float = Field(default=6.0, ge=0, le=60)
    flexure_arcsec: float = Field(default=5.0, ge=0, le=300)
    repeat_arcsec: float = Field(default=8.0, ge=0, le=300)
    worm_arcsec: float = Field(default=8.0, ge=0, le=120)
    worm_period_s: float = Field(default=480.0, gt=0)
    worm_harmonics: tuple[float, ...] = Field(default=(), max_length=8)
    polar_high_arcmin: float = Field(default=0.7, ge=-360, le=360)
    polar_east_arcmin: float = Field(default=-0.9, ge=-720, le=720)
    person_at_knobs: bool = False
    dec_backlash_arcsec: float = Field(default=5.0, ge=0, le=120)
    dec_stick_arcsec: float = Field(default=0.0, ge=0, le=60)
    dec_follows_sky: bool = True
    wind_arcsec_per_ms: float = Field(default=0.0, ge=0, le=10)
    guide_rate: float = Field(default=0.5, gt=0, lt=1)
    lowest_alt_deg: float = Field(default=0.0, ge=-90, le=60)
    past_meridian_deg: float = Field(default=15.0, ge=0, le=90)
    cable_deg: float = Field(default=115.0, gt=0, lt=180)
    base_clear_deg: float = Field(default=4.0, ge=0, le=60)

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, given: object) -> object:
        if isinstance(given, dict) and given.get("character") in _CHARACTERS:
            return {**_CHARACTERS[given["character"]], **given}
        return given
