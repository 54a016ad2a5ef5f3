"""The mount in the rig file: how it is built, and where it may not be."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from midwatch.orders.models import field_rules as rules
from midwatch.orders.models.declared import Declared
from midwatch.sky.mounts import GEOMETRIES, MountGeometry, declared_geometry

__all__ = ["MotionLimits", "Mount", "mount_geometry"]


class Mount(Declared):
    """How the mount is built."""

    geometry: str = Field(
        default="german",
        description="german: a German equatorial mount, which is flipped at the meridian; fork: an "
        "equatorial fork, which tracks through it.",
        json_schema_extra={"enum": list(GEOMETRIES)},
    )
    hour_angle_min: float | None = Field(
        default=None,
        gt=0,
        le=715,
        description="Minutes of hour angle to either side of the meridian that a fork may turn, "
        "for the sake of its cables; left out, 420.",
    )
    pole_distance_deg: float | None = Field(
        default=None,
        ge=0,
        le=60,
        description="Nearest to the pole that a fork may point, where the camera would meet its "
        "base, degrees; left out, 0.",
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.known_geometry(self.geometry, GEOMETRIES)
        return self


class MotionLimits(Declared):
    """Where the mount may not be, whatever the reason."""

    min_altitude_deg: float = Field(
        default=15,
        ge=0,
        le=85,
        description="Never below this altitude, nor below the horizon plus its margin, degrees.",
    )
    horizon_margin_deg: float = Field(
        default=1.0, ge=0, le=20, description="Distance to keep above the horizon, degrees."
    )
    past_meridian_min: float = Field(
        default=20,
        ge=0,
        le=360,
        description="Minutes of hour angle that the unflipped telescope may track past the "
        "meridian.",
    )
    before_meridian_min: float = Field(
        default=10,
        ge=0,
        le=360,
        description="Minutes before the meridian from which a flipped telescope is safe.",
    )
    flip_after_min: float = Field(
        default=3,
        ge=0,
        le=360,
        description="Earliest flip, minutes of hour angle after the meridian.",
    )
    sun_distance_deg: float = Field(
        default=40, ge=10, le=120, description="Distance to keep from the Sun, degrees."
    )

    @model_validator(mode="after")
    def _agree(self) -> Self:
        rules.flip_before_limit(self.flip_after_min, self.past_meridian_min)
        return self


def mount_geometry(mount: Mount, limits: MotionLimits) -> MountGeometry:
    """Return the geometry that a rig file declares in two of its sections."""
    settings = {**limits.model_dump(), **mount.model_dump()}
    return declared_geometry(mount.geometry, {k: v for k, v in settings.items() if _number(v)})


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
