"""Where the Sun and the Moon are, and how much of the Moon is lit."""

from __future__ import annotations

import erfa
import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.ephemeris import earth_at, moon_geocentric, sun_geocentric
from midwatch.sky.place import AltAz, Observer
from midwatch.sky.vectors import FloatArray, Vector, angle_deg, norm, spherical_deg

_KM_PER_AU = float(erfa.DAU) / 1000.0
# Radius of the Moon in au: 0.2725076 equatorial radii of the Earth (IAU 1982).
_MOON_RADIUS_AU = 0.2725076 * 6378.1366 / _KM_PER_AU


def _seen(observer: Observer, geocentric: Vector, utc_s: ArrayLike) -> Vector:
    """Topocentric meridian vector of a near object."""
    earth = earth_at(utc_s)
    return observer.meridian_vector(earth.of_date(geocentric), earth, au=True)


def sun_altaz(observer: Observer, utc_s: ArrayLike) -> AltAz:
    """Airless topocentric altitude and azimuth of the Sun's centre (within 1 arcsec)."""
    return observer.altaz_of(_seen(observer, sun_geocentric(utc_s), utc_s))


def moon_altaz(observer: Observer, utc_s: ArrayLike) -> AltAz:
    """Airless topocentric altitude and azimuth of the Moon's centre (within 15 arcsec)."""
    return observer.altaz_of(_seen(observer, moon_geocentric(utc_s), utc_s))


def _radec(observer: Observer | None, geocentric: Vector, utc_s: ArrayLike) -> Vector:
    if observer is None:
        return earth_at(utc_s).of_date(geocentric)
    local = np.radians(observer.local_sidereal_deg(utc_s))
    x, y, z = _seen(observer, geocentric, utc_s)
    cos, sin = np.cos(local), np.sin(local)
    return Vector(x * cos - y * sin, x * sin + y * cos, z)


def sun_radec(observer: Observer | None, utc_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Apparent right ascension and declination of the Sun, true equator and equinox of date.

    Topocentric; from the centre of the Earth without an observer.
    """
    return spherical_deg(_radec(observer, sun_geocentric(utc_s), utc_s))


def moon_radec(observer: Observer | None, utc_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Apparent right ascension and declination of the Moon, true equator and equinox of date.

    Topocentric; from the centre of the Earth without an observer.
    """
    return spherical_deg(_radec(observer, moon_geocentric(utc_s), utc_s))


def moon_distance_km(utc_s: ArrayLike) -> FloatArray:
    """Distance from the Earth's centre to the Moon's, km."""
    return norm(moon_geocentric(utc_s)) * _KM_PER_AU


def moon_semidiameter_deg(utc_s: ArrayLike) -> FloatArray:
    """Geocentric semi-diameter of the Moon, degrees."""
    return np.degrees(np.arcsin(_MOON_RADIUS_AU / norm(moon_geocentric(utc_s))))


def sun_separation_deg(
    observer: Observer, ra_deg: ArrayLike, dec_deg: ArrayLike, utc_s: ArrayLike
) -> FloatArray:
    """Topocentric angle between ICRS positions and the Sun's centre, degrees."""
    star = observer.star_vector(ra_deg, dec_deg, earth_at(utc_s))
    return angle_deg(star, _seen(observer, sun_geocentric(utc_s), utc_s))


def moon_separation_deg(
    observer: Observer, ra_deg: ArrayLike, dec_deg: ArrayLike, utc_s: ArrayLike
) -> FloatArray:
    """Topocentric angle between ICRS positions and the Moon's centre, degrees."""
    star = observer.star_vector(ra_deg, dec_deg, earth_at(utc_s))
    return angle_deg(star, _seen(observer, moon_geocentric(utc_s), utc_s))


def moon_phase_angle_deg(utc_s: ArrayLike) -> FloatArray:
    """Angle at the Moon between Sun and Earth: 0 at full, 180 at new Moon, degrees."""
    sun, moon = sun_geocentric(utc_s), moon_geocentric(utc_s)
    to_sun = Vector(sun.x - moon.x, sun.y - moon.y, sun.z - moon.z)
    return angle_deg(to_sun, Vector(-moon.x, -moon.y, -moon.z))


def moon_illumination(utc_s: ArrayLike) -> FloatArray:
    """Lit fraction of the Moon's disc, 0 to 1: (1 + cos i) / 2 of the phase angle i."""
    return 0.5 * (1.0 + np.cos(np.radians(moon_phase_angle_deg(utc_s))))
