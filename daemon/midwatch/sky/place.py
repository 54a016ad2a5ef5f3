"""A place on the Earth and what is where in its sky.

Positions are airless and topocentric, in the apparent place of date: precession, nutation,
annual and diurnal aberration are applied; light bending by the Sun (0.5 arcsec at 5 degrees from
its limb), parallax of stars and polar motion (0.3 arcsec) are not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import erfa
import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.earth_rotation import DAY_S
from midwatch.sky.ephemeris import Earth, earth_at, sun_geocentric
from midwatch.sky.mounts import Direction
from midwatch.sky.vectors import (
    FloatArray,
    Vector,
    normalised,
    rotated_z,
    spherical_deg,
    unit_vector,
    wrap_180,
    wrap_360,
)

# Hour angle gained by a star per second of UTC (IAU 2000 Earth rotation angle, plus precession
# in right ascension of 4613 arcsec a century).
SIDEREAL_DEG_PER_S = 360.0 * 1.00273790935 / DAY_S

_EARTH_TURN_RAD_PER_S = 7.292115e-5  # IERS Conventions 2010, table 1.1
_QUICK_STEP_S = 7200.0
_WGS84 = 1  # ERFA's number for this ellipsoid


@dataclass(frozen=True)
class Place:
    """Where a telescope is, and its usual air.

    Attributes:
        latitude_deg: geodetic latitude, -90 to 90.
        longitude_deg: east positive, -180 to 360.
        elevation_m: above the ellipsoid; sea level is near enough.
        pressure_hpa: air pressure at the telescope; None for the standard atmosphere.
        temperature_c: air temperature.
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    pressure_hpa: float | None = None
    temperature_c: float = 10.0

    def __post_init__(self) -> None:
        if not -90.0 <= self.latitude_deg <= 90.0:
            raise ValueError(f"latitude {self.latitude_deg} deg is not within -90 to 90")
        if not -180.0 <= self.longitude_deg <= 360.0:
            raise ValueError(f"longitude {self.longitude_deg} deg is not within -180 to 360")
        if not -500.0 <= self.elevation_m <= 10000.0:
            raise ValueError(f"elevation {self.elevation_m} m is not within -500 to 10000")

    @property
    def air_pressure_hpa(self) -> float:
        """The stated pressure, else that of the standard atmosphere at this elevation.

        ICAO standard atmosphere, troposphere: 1013.25 (1 - 2.25577e-5 h)^5.25588 hPa.
        """
        if self.pressure_hpa is not None:
            return self.pressure_hpa
        return float(1013.25 * (1.0 - 2.25577e-5 * self.elevation_m) ** 5.25588)


class AltAz(NamedTuple):
    """Altitude in [-90, 90] and azimuth in [0, 360), from north through east, degrees."""

    alt_deg: FloatArray
    az_deg: FloatArray


class QuickAltAz(NamedTuple):
    """One direction: altitude, azimuth in [0, 360), hour angle in (-180, 180], degrees."""

    alt_deg: float
    az_deg: float
    ha_deg: float


@dataclass(frozen=True)
class Observer:
    """Turns catalogue positions into directions seen from one place.

    Angles are degrees, times POSIX seconds of UTC. Arguments broadcast against each other as
    numpy arrays do, and results have the broadcast shape; scalars give numpy scalars.
    """

    place: Place

    @cached_property
    def _latitude(self) -> tuple[float, float]:
        latitude = math.radians(self.place.latitude_deg)
        # Exactly zero at the poles, so that azimuths there follow from the longitude alone.
        cos = 0.0 if abs(self.place.latitude_deg) == 90.0 else math.cos(latitude)
        return cos, math.sin(latitude)

    @cached_property
    def _geocentric_au(self) -> tuple[float, float]:
        """Distance from the Earth's axis, and height above its equator's plane, au."""
        place = self.place
        latitude = math.radians(place.latitude_deg)
        x, y, z = erfa.gd2gc(_WGS84, 0.0, latitude, place.elevation_m)
        return math.hypot(float(x), float(y)) / erfa.DAU, float(z) / erfa.DAU

    @cached_property
    def diurnal_speed(self) -> float:
        """Speed eastward by the Earth's turning, in units of the speed of light."""
        axis_m = self._geocentric_au[0] * erfa.DAU
        return float(_EARTH_TURN_RAD_PER_S * axis_m / erfa.CMPS)

    def meridian_vector(self, of_date: Vector, earth: Earth, *, au: bool = False) -> Vector:
        """Unit vectors towards the meridian's equator point (x), east (y), and pole (z).

        Args:
            of_date: true equator and equinox of date; directions of infinitely far objects, or
                geocentric positions if `au` is set.
            earth: the Earth at the same times.
            au: whether `of_date` is in astronomical units, and parallax has to be applied.
        """
        local = earth.sidereal_rad + math.radians(self.place.longitude_deg)
        vector = rotated_z(of_date, local)
        if au:
            axis, height = self._geocentric_au
            vector = normalised(Vector(vector.x - axis, vector.y, vector.z - height))
        return normalised(Vector(vector.x, vector.y + self.diurnal_speed, vector.z))

    def star_vector(self, ra_deg: ArrayLike, dec_deg: ArrayLike, earth: Earth) -> Vector:
        """`meridian_vector` of ICRS positions."""
        return self.meridian_vector(
            earth.of_date(earth.aberrated(unit_vector(ra_deg, dec_deg))), earth
        )

    def altaz_of(self, meridian: Vector) -> AltAz:
        """Altitude and azimuth of a meridian vector."""
        cos, sin = self._latitude
        up = cos * meridian.x + sin * meridian.z
        north = cos * meridian.z - sin * meridian.x
        az, alt = spherical_deg(Vector(north, meridian.y, up))
        return AltAz(alt, az)

    def altaz(self, ra_deg: ArrayLike, dec_deg: ArrayLike, utc_s: ArrayLike) -> AltAz:
        """Airless altitude and azimuth of ICRS positions."""
        return self.altaz_of(self.star_vector(ra_deg, dec_deg, earth_at(utc_s)))

    def direction_of(self, meridian: Vector) -> Direction:
        """Hour angle, declination of date, altitude and azimuth of a meridian vector."""
        alt, az = self.altaz_of(meridian)
        dec = np.degrees(np.arctan2(meridian.z, np.hypot(meridian.x, meridian.y)))
        return Direction(hour_angle_of(meridian), dec, alt, az)

    def hour_angle_deg(self, ra_deg: ArrayLike, dec_deg: ArrayLike, utc_s: ArrayLike) -> FloatArray:
        """Hour angle of ICRS positions in (-180, 180], west positive."""
        return hour_angle_of(self.star_vector(ra_deg, dec_deg, earth_at(utc_s)))

    def local_sidereal_deg(self, utc_s: ArrayLike) -> FloatArray:
        """Local apparent sidereal time in [0, 360), degrees."""
        return wrap_360(np.degrees(earth_at(utc_s).sidereal_rad) + self.place.longitude_deg)

    def parallactic_deg(
        self, ra_deg: ArrayLike, dec_deg: ArrayLike, utc_s: ArrayLike
    ) -> FloatArray:
        """Position angle of the zenith at ICRS positions in (-180, 180], degrees.

        Zero on the meridian south of the zenith, positive west of it. Undefined, and returned
        as zero, at the zenith itself.
        """
        cos, sin = self._latitude
        x, y, z = self.star_vector(ra_deg, dec_deg, earth_at(utc_s))
        return np.degrees(np.arctan2(-cos * y, sin * (x * x + y * y) - cos * z * x))

    def icrs_from_altaz(
        self, alt_deg: ArrayLike, az_deg: ArrayLike, utc_s: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """ICRS right ascension in [0, 360) and declination of airless directions."""
        cos, sin = self._latitude
        north, east, up = unit_vector(az_deg, alt_deg)
        earth = earth_at(utc_s)
        meridian = normalised(
            Vector(cos * up - sin * north, east - self.diurnal_speed, sin * up + cos * north)
        )
        local = earth.sidereal_rad + math.radians(self.place.longitude_deg)
        gcrs = earth.unaberrated(earth.from_date(rotated_z(meridian, -local)))
        return spherical_deg(gcrs)

    def quick(self, utc_s: float) -> QuickPlace:
        """A fast calculator for single directions within two hours of `utc_s`."""
        return QuickPlace(self, utc_s)

    def quick_at(self, utc_s: float) -> QuickPlace:
        """A calculator for this instant, shared by all that ask for one near it."""
        # Centres on fixed times keep answers independent of what was asked before.
        return _quick_about(self, round(utc_s / _QUICK_STEP_S) * _QUICK_STEP_S)


@lru_cache(maxsize=8)
def _quick_about(observer: Observer, utc_s: float) -> QuickPlace:
    return QuickPlace(observer, utc_s)


def hour_angle_of(meridian: Vector) -> FloatArray:
    """Hour angle in (-180, 180], degrees, of a meridian vector."""
    return wrap_180(-np.degrees(np.arctan2(meridian.y, meridian.x)))


class QuickPlace:
    """Directions of single objects by plain arithmetic, for checks made every second.

    The Earth's axis and speed are frozen at the central time and only its turn goes on; within
    two hours this is good to an arcsecond. The Sun moves along a straight line meanwhile.
    """

    def __init__(self, observer: Observer, utc_s: float) -> None:
        earth = earth_at(utc_s)
        self._utc_s = utc_s
        self._matrix = tuple(float(value) for value in earth.matrix)
        self._velocity = tuple(float(value) for value in earth.velocity)
        self._sidereal_rad = float(earth.sidereal_rad) + math.radians(observer.place.longitude_deg)
        self._cos, self._sin = observer._latitude
        self._diurnal = observer.diurnal_speed
        ends = sun_geocentric(utc_s + np.array([-7200.0, 7200.0]))
        of_date = Earth(earth.matrix[:, None], earth.velocity, earth.sidereal_rad).of_date(ends)
        axis = of_date.x, of_date.y, of_date.z
        self._sun = tuple((float(c.mean()), float((c[1] - c[0]) / 14400.0)) for c in axis)

    def altaz_ha(self, ra_deg: float, dec_deg: float, utc_s: float) -> QuickAltAz:
        """Airless altitude, azimuth and hour angle of one ICRS position."""
        return self.altaz_ha_of(self.vector(ra_deg, dec_deg), utc_s)

    def vector(self, ra_deg: float, dec_deg: float) -> tuple[float, float, float]:
        """Apparent direction, true equator and equinox of date, of one ICRS position."""
        ra, dec = math.radians(ra_deg), math.radians(dec_deg)
        cos_dec = math.cos(dec)
        vx, vy, vz = self._velocity
        # First order in v/c: what is left out is below 0.001 arcsec.
        x, y, z = cos_dec * math.cos(ra) + vx, cos_dec * math.sin(ra) + vy, math.sin(dec) + vz
        m = self._matrix
        return (
            m[0] * x + m[1] * y + m[2] * z,
            m[3] * x + m[4] * y + m[5] * z,
            m[6] * x + m[7] * y + m[8] * z,
        )

    def sun_vector(self, utc_s: float) -> tuple[float, float, float]:
        """Apparent direction of the Sun, true equator and equinox of date; length near one."""
        after_s = utc_s - self._utc_s
        (x, dx), (y, dy), (z, dz) = self._sun
        return x + dx * after_s, y + dy * after_s, z + dz * after_s

    def altaz_ha_of(self, vector: tuple[float, float, float], utc_s: float) -> QuickAltAz:
        """Airless altitude, azimuth and hour angle of a direction of date."""
        angle = self._sidereal_rad + math.radians(SIDEREAL_DEG_PER_S) * (utc_s - self._utc_s)
        cos, sin = math.cos(angle), math.sin(angle)
        x = vector[0] * cos + vector[1] * sin
        y = vector[1] * cos - vector[0] * sin + self._diurnal
        z = vector[2]
        north = self._cos * z - self._sin * x
        alt = math.atan2(self._cos * x + self._sin * z, math.hypot(north, y))
        az = math.degrees(math.atan2(y, north)) % 360.0
        ha = -math.degrees(math.atan2(y, x))
        return QuickAltAz(math.degrees(alt), az, 180.0 if ha == -180.0 else ha)
