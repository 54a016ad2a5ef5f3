"""The site file: a place, its horizon, and the weather it bears."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from midwatch.orders.models import field_rules as rules
from midwatch.orders.models.declared import Declared, Name, Percent


class SafetyLimits(Declared):
    """Weather beyond which the rig closes. A limit that is left out is not watched."""

    max_wind_ms: float | None = Field(
        default=None, gt=0, description="Mean wind beyond which the rig closes, metres a second."
    )
    max_gust_ms: float | None = Field(
        default=None, gt=0, description="Gusts beyond which the rig closes, metres a second."
    )
    max_humidity_percent: Percent | None = Field(
        default=None, description="Relative humidity beyond which the rig closes."
    )
    max_cloud_percent: Percent | None = Field(
        default=None, description="Cloud cover beyond which the rig closes."
    )
    rain: bool = Field(default=True, description="Whether rain closes the rig.")
    stale_s: float = Field(
        default=120, gt=0, description="Readings older than this count as unsafe, seconds."
    )
    calm_s: float = Field(
        default=900,
        ge=0,
        description="How long readings must stay good before the night goes on, seconds.",
    )
    close_within_s: float = Field(
        default=240, gt=0, description="Time in which the rig must be parked and closed, seconds."
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.meant_as_percent(self.max_humidity_percent, "max_humidity_percent")
        rules.meant_as_percent(self.max_cloud_percent, "max_cloud_percent")
        rules.gust_above_wind(self.max_wind_ms, self.max_gust_ms)
        return self


class Site(Declared):
    """A place on Earth from which to observe."""

    name: Name = Field(description="What the site is called.", examples=["Larch Hollow"])
    latitude_deg: float = Field(
        ge=-90, le=90, description="Degrees north; south is negative.", examples=[46.4]
    )
    longitude_deg: float = Field(
        ge=-180, le=180, description="Degrees east; west is negative.", examples=[11.2]
    )
    elevation_m: float = Field(default=0, ge=-430, le=6500, description="Metres above sea level.")
    timezone: Annotated[str, BeforeValidator(rules.timezone)] = Field(
        description="Name in the time zone database, such as Europe/Vienna or UTC.",
        examples=["Europe/Vienna"],
    )
    horizon: Annotated[
        float | tuple[tuple[float, float], ...] | str, BeforeValidator(rules.horizon)
    ] = Field(
        default=0.0,
        description="A flat altitude in degrees, a list of [azimuth, altitude] pairs in degrees, "
        "or the path of a text file of such pairs, relative to the site file.",
    )
    sky_brightness_mag: float = Field(
        default=21.0,
        ge=14,
        le=22.5,
        description="Moonless zenith brightness, V magnitudes per square arcsecond.",
    )
    safety: SafetyLimits = Field(
        default=SafetyLimits(), description="Weather beyond which the rig closes."
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.zone_fits_longitude(self.timezone, self.longitude_deg)
        return self
