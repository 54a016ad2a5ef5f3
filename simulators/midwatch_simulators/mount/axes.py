"""The two axes of a German equatorial mount, and of any mount: travel, errors of pointing.

The polar axis is at zero with the counterweight down, positive westwards; the declination
axis counts the distance from the elevated pole, positive on the west side of the pier (looking
east), negative on its east side. A flip is thus half a turn of the one and a swing over the pole
of the other, as on a real mount.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from midwatch_simulators.base import normal

Side = Literal["east", "west"]


@dataclass(frozen=True)
class Axes:
    """Angles of both axes, degrees."""

    polar_deg: float
    pole_distance_deg: float

    @property
    def side(self) -> Side:
        """Where the telescope is; at the pole itself, west."""
        return "west" if self.pole_distance_deg >= 0.0 else "east"


def wrapped_deg(angle_deg: float) -> float:
    """Return an angle in (-180, 180]."""
    return 180.0 - (180.0 - angle_deg) % 360.0


def axes_of(hour_angle_deg: float, dec_deg: float, side: Side, hemisphere: float) -> Axes:
    """Return the angles that point a telescope on a side of the pier.

    Args:
        hour_angle_deg: in (-180, 180].
        dec_deg: declination of date.
        side: of the pier.
        hemisphere: 1 north, -1 south of the equator.
    """
    distance = 90.0 - hemisphere * dec_deg
    if side == "west":
        return Axes(wrapped_deg(hour_angle_deg + 90.0), distance)
    return Axes(wrapped_deg(hour_angle_deg - 90.0), -distance)


def direction_of(axes: Axes, hemisphere: float) -> tuple[float, float]:
    """Return hour angle in (-180, 180] and declination: the inverse of `axes_of`."""
    turn = -90.0 if axes.side == "west" else 90.0
    dec = hemisphere * (90.0 - abs(axes.pole_distance_deg))
    return wrapped_deg(axes.polar_deg + turn), dec


@dataclass(frozen=True)
class Travel:
    """A way of one axis with constant acceleration, a top rate, and the same deceleration."""

    distance_deg: float
    rate_deg_s: float
    accel_deg_s2: float

    @property
    def _ramp_s(self) -> float:
        full = self.rate_deg_s / self.accel_deg_s2
        return min(full, math.sqrt(abs(self.distance_deg) / self.accel_deg_s2))

    @property
    def duration_s(self) -> float:
        """Time from rest to rest."""
        ramp = self._ramp_s
        if ramp == 0.0:
            return 0.0
        return ramp + abs(self.distance_deg) / (self.accel_deg_s2 * ramp)

    def gone_deg(self, after_s: float) -> float:
        """Return the way after some time, with the sign of the distance."""
        ramp, whole = self._ramp_s, self.duration_s
        after = min(max(after_s, 0.0), whole)
        top = self.accel_deg_s2 * ramp
        if after < ramp:
            way = 0.5 * self.accel_deg_s2 * after * after
        elif after <= whole - ramp:
            way = top * (after - 0.5 * ramp)
        else:
            way = abs(self.distance_deg) - 0.5 * self.accel_deg_s2 * (whole - after) ** 2
        return math.copysign(way, self.distance_deg)


@dataclass(frozen=True)
class Passage:
    """Both axes on their way, each at its own time."""

    start: Axes
    end: Axes
    began_s: float
    rate_deg_s: float
    accel_deg_s2: float

    @property
    def _travels(self) -> tuple[Travel, Travel]:
        return (
            Travel(self.end.polar_deg - self.start.polar_deg, self.rate_deg_s, self.accel_deg_s2),
            Travel(
                self.end.pole_distance_deg - self.start.pole_distance_deg,
                self.rate_deg_s,
                self.accel_deg_s2,
            ),
        )

    @property
    def duration_s(self) -> float:
        """Time until the later axis arrives."""
        return max(travel.duration_s for travel in self._travels)

    @property
    def distances_deg(self) -> tuple[float, float]:
        """The ways of the polar and of the declination axis, without sign."""
        polar, declination = (abs(travel.distance_deg) for travel in self._travels)
        return polar, declination

    def at(self, mono_s: float) -> Axes:
        """Return where the axes are at an instant of the clock."""
        polar, distance = (travel.gone_deg(mono_s - self.began_s) for travel in self._travels)
        return Axes(self.start.polar_deg + polar, self.start.pole_distance_deg + distance)


@dataclass(frozen=True)
class PointingModel:
    """How far the telescope points off what the encoders say, a smooth function of the axes.

    The usual terms of a German mount (Wallace, "Rigorous algorithm for telescope pointing", 2002;
    common practice): index errors and cone error (changes sign with the pier side), which stay as
    the polar axis turns, and flexure, which does not. Their sizes are drawn so that each of the
    two kinds has the given spread.
    """

    seed: int
    spread_arcsec: float
    flexure_arcsec: float

    def error_arcsec(self, axes: Axes) -> tuple[float, float]:
        """Return the error towards east and north at a position of the axes."""
        turn = math.radians(axes.polar_deg)
        distance = math.radians(abs(axes.pole_distance_deg))
        sign = 1.0 if axes.side == "west" else -1.0
        # Mean squares are about 1, 1 and 1/2 of the lasting shapes, 1/2 each of the others; the
        # two coordinates share.
        lasting = self.spread_arcsec / math.sqrt(2.0 * 2.5)
        bending = self.flexure_arcsec / math.sqrt(2.0)
        shapes = (
            lasting,
            lasting * sign,
            bending * math.sin(turn),
            bending * math.cos(turn),
            lasting * math.cos(distance) * sign,
        )
        east = sum(normal(self.seed, "east", i) * shape for i, shape in enumerate(shapes))
        north = sum(normal(self.seed, "north", i) * shape for i, shape in enumerate(shapes))
        return east, north
