"""What a misaligned polar axis does to guided frames: the field turns about the guide star."""

from __future__ import annotations

import math

from midwatch.sky.place import SIDEREAL_DEG_PER_S, Place
from midwatch.sky.polar.axis import axis_vector, hemisphere_of, pole_vector, tangents

_ARCMIN_PER_RAD = 180.0 * 60.0 / math.pi


def field_rotation_deg(
    place: Place,
    altitude_arcmin: float,
    azimuth_arcmin: float,
    ha_deg: float,
    dec_deg: float,
    duration_s: float,
) -> float:
    """How far the field turns while a star is guided on, degrees, either way.

    The integral of sidereal rate times tilt across the star's hour circle over cos(declination),
    first order in the error; refraction is left out. Infinite at the poles of the sky.
    """
    tilt = axis_vector(place, altitude_arcmin, azimuth_arcmin) - pole_vector(place)
    up, along = tangents(pole_vector(place))
    sign = hemisphere_of(place)
    # Components of the northern end towards the meridian's equator point and towards east.
    x, y = sign * math.degrees(tilt @ up), math.degrees(tilt @ along)
    start = math.radians(ha_deg)
    end = start + math.radians(SIDEREAL_DEG_PER_S * duration_s)
    across = x * (math.sin(end) - math.sin(start)) + y * (math.cos(end) - math.cos(start))
    cos_dec = math.cos(math.radians(dec_deg))
    return abs(across) / cos_dec if abs(dec_deg) < 90.0 else math.inf


def allowable_error_arcmin(
    trail_um: float, dec_deg: float, exposure_s: float, focal_mm: float, off_axis_deg: float
) -> float:
    """Largest axis error whose field rotation stays below a trail on the sensor, arcmin.

    E = S cos(dec) / (omega T F A), for a star at A from the guide star; Hook 1989 has it with
    45000 for micrometres, minutes, millimetres and degrees.
    """
    turn = math.radians(SIDEREAL_DEG_PER_S * exposure_s)
    arm_um = focal_mm * 1000.0 * math.radians(off_axis_deg)
    return trail_um * math.cos(math.radians(dec_deg)) / (turn * arm_um) * _ARCMIN_PER_RAD
