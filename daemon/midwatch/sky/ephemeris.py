"""What of the sky depends on time alone: the Earth's axis, speed and turn; Sun and Moon.

The series behind these are long and the quantities smooth. They are summed once per UTC day at
nodes two hours apart and interpolated: orientation and speed linearly (error below 0.001
arcsec), Sun and Moon by cubic Hermite polynomials with their own velocities (below 0.01
arcsec). Nodes are at fixed times, so a value never depends on what else was asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import erfa
import numpy as np
from numpy.typing import ArrayLike, NDArray

from midwatch.sky.earth_rotation import (
    DAY_S,
    POSIX_EPOCH_MJD,
    TT_MINUS_TAI_S,
    tai_minus_utc_s,
    ut1_minus_tai_s,
)
from midwatch.sky.vectors import FloatArray, Vector, as_floats, dot, norm, normalised

_MJD_ZERO_JD = 2400000.5
_INTERVALS = 12
_STEP_S = DAY_S / _INTERVALS
_LIGHT_DAYS_PER_AU = erfa.DAU / erfa.CMPS / DAY_S
_SUN = slice(0, 3)
_MOON = slice(3, 6)
# Instants that are remembered: limits, weather and cameras ask for the same ones in turn.
_INSTANTS = 64


class _DayNodes(NamedTuple):
    """Values at the nodes of one UTC day, first axis the node."""

    turning: FloatArray  # 9 of the orientation matrix, 3 of velocity / c, origin, UT1 - UTC
    place: FloatArray  # geocentric Sun then Moon, au, GCRS
    speed: FloatArray  # the same, au per node step


@lru_cache(maxsize=512)
def _day_nodes(day: int) -> _DayNodes:
    utc_mjd = POSIX_EPOCH_MJD + day + np.arange(_INTERVALS + 1) / _INTERVALS
    # One value for the whole day: the node at 24 h must not see a leap second that follows it.
    leap_s = tai_minus_utc_s(utc_mjd[:1])[0]
    tt_mjd = utc_mjd + (leap_s + TT_MINUS_TAI_S) / DAY_S
    matrix = erfa.pnm06a(_MJD_ZERO_JD, tt_mjd)
    pole_x, pole_y = erfa.bpn2xy(matrix)
    origin = erfa.eors(matrix, erfa.s06(_MJD_ZERO_JD, tt_mjd, pole_x, pole_y))
    ut1_utc_s = np.nan_to_num(ut1_minus_tai_s(utc_mjd) + leap_s, nan=0.0)
    heliocentric, barycentric = erfa.epv00(_MJD_ZERO_JD, tt_mjd)
    moon = erfa.moon98(_MJD_ZERO_JD, tt_mjd)
    turning = np.column_stack(
        [
            matrix.reshape(-1, 9),
            barycentric["v"] * _LIGHT_DAYS_PER_AU,
            origin,
            ut1_utc_s,
        ]
    )
    nodes = _DayNodes(
        turning,
        np.column_stack([-heliocentric["p"], moon["p"]]),
        np.column_stack([-heliocentric["v"], moon["v"]]) / _INTERVALS,
    )
    for values in nodes:
        values.flags.writeable = False
    return nodes


def _located(
    utc_s: FloatArray,
) -> tuple[list[_DayNodes], NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Nodes of the days touched; per time the row of its day, its interval, and the rest."""
    days = np.floor(utc_s / DAY_S)
    unique, row = _different(days)
    position = (utc_s - days * DAY_S) / _STEP_S
    interval = np.minimum(position.astype(np.intp), _INTERVALS - 1)
    return [_day_nodes(int(day)) for day in unique], row, interval, position - interval


def _around(
    days: list[FloatArray], row: NDArray[np.intp], interval: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Values at the nodes before and after each time."""
    if len(days) == 1:
        return days[0][interval], days[0][interval + 1]
    table = np.stack(days)
    return table[row, interval], table[row, interval + 1]


def _different(days: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
    """The days that occur, ascending, and per time the row of its day."""
    if days.size and (days == days[0]).all():
        # Nearly always, and much faster than sorting.
        return days[:1], np.zeros(days.shape, dtype=np.intp)
    unique, row = np.unique(days, return_inverse=True)
    return unique, row


@dataclass(frozen=True)
class Earth:
    """Orientation, velocity and turn of the Earth at an array of times.

    Attributes:
        matrix: nine arrays, row by row: GCRS to the true equator and equinox of date.
        velocity: barycentric velocity of the Earth in units of the speed of light, GCRS.
        sidereal_rad: Greenwich apparent sidereal time, radians.
    """

    matrix: FloatArray
    velocity: Vector
    sidereal_rad: FloatArray

    def aberrated(self, direction: Vector) -> Vector:
        """Unit directions as seen from the moving Earth (the formula of ERFA's `ab`)."""
        v = self.velocity
        inverse_gamma = np.sqrt(1.0 - dot(v, v))
        along = dot(direction, v)
        weight = 1.0 + along / (1.0 + inverse_gamma)
        return normalised(
            Vector(
                direction.x * inverse_gamma + weight * v.x,
                direction.y * inverse_gamma + weight * v.y,
                direction.z * inverse_gamma + weight * v.z,
            )
        )

    def unaberrated(self, direction: Vector) -> Vector:
        """Inverse of `aberrated`: seen from the resting frame, hence the speed reversed."""
        v = self.velocity
        return Earth(self.matrix, Vector(-v.x, -v.y, -v.z), self.sidereal_rad).aberrated(direction)

    def of_date(self, vector: Vector) -> Vector:
        """From the GCRS to the true equator and equinox of date."""
        m, v = self.matrix, vector
        return Vector(
            m[0] * v.x + m[1] * v.y + m[2] * v.z,
            m[3] * v.x + m[4] * v.y + m[5] * v.z,
            m[6] * v.x + m[7] * v.y + m[8] * v.z,
        )

    def from_date(self, vector: Vector) -> Vector:
        """Inverse of `of_date`."""
        m, v = self.matrix, vector
        return Vector(
            m[0] * v.x + m[3] * v.y + m[6] * v.z,
            m[1] * v.x + m[4] * v.y + m[7] * v.z,
            m[2] * v.x + m[5] * v.y + m[8] * v.z,
        )


def earth_at(utc_s: ArrayLike) -> Earth:
    """State of the Earth at POSIX times of any shape.

    Polar motion (0.3 arcsec) is left out. IAU 2006/2000A precession and nutation, ERA of the
    IAU 2000, all through ERFA.
    """
    times = as_floats(utc_s)
    return _earth(times) if times.ndim else _earth_then(float(times))


@lru_cache(maxsize=_INSTANTS)
def _earth_then(utc_s: float) -> Earth:
    earth = _earth(as_floats(utc_s))
    earth.matrix.flags.writeable = False
    return earth


def _earth(times: FloatArray) -> Earth:
    days, row, interval, rest = _located(times.reshape(-1))
    first, second = _around([day.turning for day in days], row, interval)
    values = (first + rest[:, None] * (second - first)).T
    values = values.reshape(-1, *times.shape)
    whole_days = np.floor(times / DAY_S)
    seconds = times - whole_days * DAY_S + values[13]
    era = erfa.era00(_MJD_ZERO_JD + POSIX_EPOCH_MJD + whole_days, seconds / DAY_S)
    return Earth(
        matrix=values[:9],
        velocity=Vector(values[9], values[10], values[11]),
        sidereal_rad=np.mod(era - values[12], 2.0 * np.pi),
    )


def _geocentric(times: FloatArray, columns: slice) -> tuple[Vector, Vector]:
    """Position, au, and velocity, au/day, of Sun or Moon from the Earth's centre."""
    days, row, interval, t = _located(times.reshape(-1))
    p0, p1 = _around([day.place[:, columns] for day in days], row, interval)
    v0, v1 = _around([day.speed[:, columns] for day in days], row, interval)
    t = t[:, None]
    step = p1 - p0
    square, cube = 3.0 * step - 2.0 * v0 - v1, v0 + v1 - 2.0 * step
    position = p0 + t * (v0 + t * (square + t * cube))
    velocity = (v0 + t * (2.0 * square + 3.0 * t * cube)) * _INTERVALS
    p = position.T.reshape(3, *times.shape)
    v = velocity.T.reshape(3, *times.shape)
    return Vector(p[0], p[1], p[2]), Vector(v[0], v[1], v[2])


def sun_geocentric(utc_s: ArrayLike) -> Vector:
    """Apparent geocentric Sun, au, GCRS axes, aberration applied (ERFA `epv00`)."""
    times = as_floats(utc_s)
    return _sun(times) if times.ndim else _sun_then(float(times))


@lru_cache(maxsize=_INSTANTS)
def _sun_then(utc_s: float) -> Vector:
    return _sun(as_floats(utc_s))


def _sun(times: FloatArray) -> Vector:
    position, _ = _geocentric(times, _SUN)
    distance = norm(position)
    seen = earth_at(times).aberrated(normalised(position))
    return Vector(seen.x * distance, seen.y * distance, seen.z * distance)


def moon_geocentric(utc_s: ArrayLike) -> Vector:
    """Apparent geocentric Moon, au, GCRS axes (ERFA `moon98`, about 10 arcsec).

    The Moon shares the Earth's motion around the Sun, so annual aberration cancels all but
    the Moon's own motion during the light time.
    """
    times = as_floats(utc_s)
    return _moon(times) if times.ndim else _moon_then(float(times))


@lru_cache(maxsize=_INSTANTS)
def _moon_then(utc_s: float) -> Vector:
    return _moon(as_floats(utc_s))


def _moon(times: FloatArray) -> Vector:
    position, velocity = _geocentric(times, _MOON)
    light_days = norm(position) * _LIGHT_DAYS_PER_AU
    return Vector(
        position.x - velocity.x * light_days,
        position.y - velocity.y * light_days,
        position.z - velocity.z * light_days,
    )
