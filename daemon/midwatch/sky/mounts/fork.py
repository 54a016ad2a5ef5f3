"""The fork mount: no pier, no flip, and cables that do not like to be wound up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np

from midwatch.sky.mounts.mount_geometry import (
    Angle,
    Course,
    Direction,
    MountGeometry,
    PierSide,
    Settings,
    Stretch,
)

__all__ = ["ForkEquatorial"]

_DEG_PER_MIN = 0.25
# Seven hours to either side: from rising to setting of what is on the equator, and some more.
_USUAL_MIN = 420.0


@dataclass(frozen=True)
class ForkEquatorial(MountGeometry):
    """A telescope between the arms of a fork that turns about the polar axis.

    It tracks through the meridian; neither camera nor guide calibration turn there. Near the pole
    the camera meets the base of the fork, and the cables are wound up by the polar axis.

    Attributes:
        hour_angle_deg: to either side of the meridian, how far the polar axis may turn.
        pole_distance_deg: nearest to the pole that the telescope may point.
    """

    name: ClassVar[str] = "fork"
    words: ClassVar[str] = "fork mount"
    takes: ClassVar[tuple[str, ...]] = ("hour_angle_min", "pole_distance_deg")

    hour_angle_deg: float = _USUAL_MIN * _DEG_PER_MIN
    pole_distance_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.hour_angle_deg < 180.0:
            raise ValueError(f"hour angle {self.hour_angle_deg} deg is not between 0 and 180")
        if not 0.0 <= self.pole_distance_deg < 90.0:
            raise ValueError(f"pole distance {self.pole_distance_deg} deg is not within 0 to 90")

    @classmethod
    def declared(cls, settings: Settings) -> Self:
        """Take minutes of hour angle, and degrees of distance to the pole."""
        hour_angle_min = settings.get("hour_angle_min", _USUAL_MIN)
        return cls(hour_angle_min * _DEG_PER_MIN, settings.get("pole_distance_deg", 0.0))

    def excess_deg(self, at: Direction, side: PierSide) -> Angle:  # noqa: ARG002
        """The larger of both excesses; what is not known of the direction is not judged."""
        turned = np.abs(at.ha_deg) - self.hour_angle_deg
        return np.fmax(turned, self._too_near_pole_deg(at))

    def _too_near_pole_deg(self, at: Direction) -> Angle:
        # The other pole is below the horizon.
        return np.abs(at.dec_deg) - (90.0 - self.pole_distance_deg)

    def limit_words(self, at: Direction, side: PierSide) -> str:  # noqa: ARG002
        """Name the limit of the polar axis, or the pole."""
        if self._too_near_pole_deg(at) > 0.0:
            return (
                f"declination {at.dec_deg:+.2f} deg is nearer to the pole than the limit of "
                f"{self.pole_distance_deg:.2f} deg, where the base of the fork is in the way"
            )
        return (
            f"hour angle {at.ha_deg:+.2f} deg is past the limit of {self.hour_angle_deg:.2f} deg "
            "to either side of the meridian that the cables of the fork allow"
        )

    def drawn_in(self, by_deg: float) -> Self:
        """Allow the polar axis less, and keep further from the pole."""
        return replace(
            self,
            hour_angle_deg=min(max(self.hour_angle_deg - by_deg, 0.1), 179.99),
            pole_distance_deg=min(max(self.pole_distance_deg + by_deg, 0.0), 89.9),
        )

    def limit_s(self, course: Course, side: PierSide, now_s: float) -> float:  # noqa: ARG002
        """When the cables end the tracking."""
        if self.hour_angle_deg <= course.hour_angle_deg(now_s):
            return now_s
        return course.next_at_hour_angle_s(self.hour_angle_deg, now_s)

    def stretches(self) -> tuple[Stretch, ...]:
        """From the one end of the polar axis to the other."""
        return (Stretch(-self.hour_angle_deg, self.hour_angle_deg),)
