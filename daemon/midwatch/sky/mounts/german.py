"""The German equatorial mount: a pier with two sides, and a flip at the meridian."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar, Literal, Self

import numpy as np

from midwatch.sky.mounts.mount_geometry import (
    Angle,
    ArrivalSide,
    AxisEnds,
    CalibrationSide,
    Course,
    Direction,
    LimitKind,
    MountGeometry,
    PierSide,
    Settings,
    Stretch,
    Turnover,
)

__all__ = ["STRICT_GERMAN", "GermanEquatorial"]

_DEG_PER_MIN = 0.25
# Nearer to the pole than this neither hour angle nor side says where the polar axis is.
_POLE_DEG = 85.0


@dataclass(frozen=True)
class GermanEquatorial(MountGeometry):
    """A telescope and a counterweight at the two ends of the declination axis.

    Past the meridian the telescope comes ever nearer to the pier, so that it must be flipped to
    the other side: half a turn of the polar axis and a swing over the pole. That turns the camera
    by 180 degrees against the sky, and the stars in the guide camera with it.

    Attributes:
        past_meridian_deg: hour angle to which a telescope west of the pier may track.
        before_meridian_deg: how far east of the meridian a telescope east of the pier may point.
        flip_after_deg: hour angle of the earliest flip.
    """

    name: ClassVar[str] = "german"
    words: ClassVar[str] = "German equatorial mount"
    takes: ClassVar[tuple[str, ...]] = (
        "past_meridian_min",
        "before_meridian_min",
        "flip_after_min",
    )
    sides: ClassVar[tuple[PierSide, ...]] = ("west", "east")
    limit_kind: ClassVar[LimitKind] = "meridian"

    past_meridian_deg: float = 0.0
    before_meridian_deg: float = 0.0
    flip_after_deg: float = 0.0

    def __post_init__(self) -> None:
        for name in ("past_meridian_deg", "before_meridian_deg"):
            if not 0.0 <= getattr(self, name) <= 180.0:
                raise ValueError(f"{name} {getattr(self, name)} is not within 0 to 180")

    @classmethod
    def declared(cls, settings: Settings) -> Self:
        """Take minutes of hour angle; 4 min are 1 deg."""
        return cls(*(settings[field] * _DEG_PER_MIN for field in cls.takes))

    def excess_deg(self, at: Direction, side: PierSide) -> Angle:
        """Past the meridian on the west, short of it on the east; an unknown side is not judged."""
        if side == "west":
            past = at.ha_deg - self.past_meridian_deg
            # At the lower culmination the telescope is as far from the pier as it can be.
            return np.where(np.asarray(at.ha_deg) < 180.0, past, -180.0)
        if side == "east":
            return -self.before_meridian_deg - at.ha_deg
        return np.full(np.shape(at.ha_deg), -180.0)

    def limit_words(self, at: Direction, side: PierSide) -> str:
        """Name the side, the hour angle and the limit."""
        limit = f"past the limit of {self.past_meridian_deg:+.2f} deg"
        if side == "east":
            limit = f"short of the limit of {-self.before_meridian_deg:+.2f} deg"
        return f"hour angle {at.ha_deg:+.2f} deg is {limit} for a telescope {self.side_words(side)}"

    def drawn_in(self, by_deg: float) -> Self:
        """Move both limits towards the meridian, and no further than to it."""
        return replace(
            self,
            past_meridian_deg=max(self.past_meridian_deg - by_deg, 0.0),
            before_meridian_deg=max(self.before_meridian_deg - by_deg, 0.0),
        )

    def limit_s(self, course: Course, side: PierSide, now_s: float) -> float:
        """West of the pier the limit past the meridian; east of it the lower culmination."""
        if side == "east":
            return course.next_at_hour_angle_s(180.0, now_s)
        if self.past_meridian_deg <= course.hour_angle_deg(now_s):
            return now_s
        return course.next_at_hour_angle_s(self.past_meridian_deg, now_s)

    def stretches(self) -> tuple[Stretch, ...]:
        """West of the pier until past the meridian, east of it from shortly before."""
        return (
            Stretch(-math.inf, self.past_meridian_deg),
            Stretch(-self.before_meridian_deg, math.inf),
        )

    def side(self, reported: PierSide) -> PierSide:
        """Take the mount's word."""
        return reported

    def contradiction(self, reported: PierSide) -> str | None:  # noqa: ARG002
        """Whatever it reports may be true."""
        return None

    def natural_side(self, ha_deg: float) -> PierSide:
        """Look east from the west of the pier, and west from its east."""
        return "west" if ha_deg < 0.0 else "east"

    def arrival_side(self, course: Course, now_s: float) -> ArrivalSide:
        """Arrive as after a flip where one would be possible."""
        return "east" if course.hour_angle_deg(now_s) >= self.flip_after_deg else "west"

    def either_side(self, course: Course, at_s: float) -> bool:
        """Whether the hour angle is between both limits."""
        ha_deg = course.hour_angle_deg(at_s)
        return -self.before_meridian_deg <= ha_deg < self.past_meridian_deg

    def arrived_wrong(self, asked: ArrivalSide, reported: PierSide) -> bool:
        """Compare, where both are known."""
        return asked is not None and reported not in (asked, "unknown")

    @property
    def flips_to(self) -> ArrivalSide:
        """East of the pier."""
        return "east"

    @property
    def flip_from_ha_deg(self) -> float | None:
        """As declared."""
        return self.flip_after_deg

    def turnover(self, course: Course, side: PierSide, now_s: float) -> Turnover | None:
        """West of the pier there is always one ahead."""
        if side != "west":
            return None
        if self.flip_after_deg <= course.hour_angle_deg(now_s):
            return Turnover("east", now_s)
        return Turnover("east", course.next_at_hour_angle_s(self.flip_after_deg, now_s))

    def axis_ends(self) -> AxisEnds | None:
        """Where the limits of both sides lie."""
        return AxisEnds(-90.0 - self.before_meridian_deg, 90.0 + self.past_meridian_deg)

    def axis_deg(self, ha_deg: float, dec_deg: float, side: PierSide) -> float | None:
        """Return the angle in [-180, 180); zero is the counterweight down, positive the west side.

        90 degrees is the meridian seen from the west of the pier, -90 degrees from its east.
        """
        if side == "unknown" or abs(dec_deg) > _POLE_DEG:
            return None
        turn_deg = 90.0 if side == "west" else -90.0
        return (ha_deg + turn_deg + 180.0) % 360.0 - 180.0

    def camera_turn_deg(self, side: PierSide) -> float:
        """Half a turn after a flip."""
        return 180.0 if side == "east" else 0.0

    def calibration_side(self, reported: PierSide) -> CalibrationSide:
        """Keep the sides apart."""
        return reported

    def side_words(self, side: PierSide) -> str:
        """Say on which side, or that it is not known."""
        return f"{side} of the pier" if side != "unknown" else "on an unknown side of the pier"

    def header_side(self, reported: PierSide) -> Literal["EAST", "WEST"] | None:
        """In capitals where it is known."""
        if reported == "unknown":
            return None
        return "EAST" if reported == "east" else "WEST"


# What is taken where the kind of mount is not given: nothing is past the meridian.
STRICT_GERMAN = GermanEquatorial()
