"""Angles on the sphere, the tangent plane, and the optics of a camera on a telescope."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.vectors import (
    FloatArray,
    Vector,
    angle_deg,
    as_floats,
    dot,
    spherical_deg,
    unit_vector,
    wrap_360,
)

_ARCSEC_PER_RAD = 180.0 * 3600.0 / np.pi


def separation_deg(
    ra1_deg: ArrayLike, dec1_deg: ArrayLike, ra2_deg: ArrayLike, dec2_deg: ArrayLike
) -> FloatArray:
    """Angle between positions in [0, 180], degrees; accurate from tiny to antipodal."""
    return angle_deg(unit_vector(ra1_deg, dec1_deg), unit_vector(ra2_deg, dec2_deg))


def position_angle_deg(
    ra1_deg: ArrayLike, dec1_deg: ArrayLike, ra2_deg: ArrayLike, dec2_deg: ArrayLike
) -> FloatArray:
    """Direction from the first position to the second in [0, 360), north through east, degrees.

    Zero between coincident or antipodal positions, where it is undefined.
    """
    east, north = _axes(ra1_deg, dec1_deg)
    towards = unit_vector(ra2_deg, dec2_deg)
    return wrap_360(np.degrees(np.arctan2(dot(towards, east), dot(towards, north))))


def position_on_circle(
    ra_deg: ArrayLike, dec_deg: ArrayLike, angle_deg: ArrayLike, distance_deg: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Where one arrives along a great circle, right ascension in [0, 360) and declination.

    Args:
        ra_deg: start.
        dec_deg: start.
        angle_deg: direction at the start, north through east.
        distance_deg: length of the way, any; negative goes backwards.
    """
    start = unit_vector(ra_deg, dec_deg)
    east, north = _axes(ra_deg, dec_deg)
    angle, distance = np.radians(as_floats(angle_deg)), np.radians(as_floats(distance_deg))
    ahead = np.cos(distance)
    to_east, to_north = np.sin(distance) * np.sin(angle), np.sin(distance) * np.cos(angle)
    return spherical_deg(
        Vector(
            start.x * ahead + east.x * to_east + north.x * to_north,
            start.y * ahead + east.y * to_east + north.y * to_north,
            start.z * ahead + east.z * to_east + north.z * to_north,
        )
    )


def offset_radec(
    ra_deg: ArrayLike, dec_deg: ArrayLike, d_east_arcsec: ArrayLike, d_north_arcsec: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Position at an offset, measured on the sky along the great circle in its direction.

    East is to rising right ascension; at a pole, north is towards right ascension + 180.
    """
    east, north = as_floats(d_east_arcsec), as_floats(d_north_arcsec)
    angle = np.degrees(np.arctan2(east, north))
    return position_on_circle(ra_deg, dec_deg, angle, np.hypot(east, north) / 3600.0)


def project(
    ra_deg: ArrayLike, dec_deg: ArrayLike, ra0_deg: ArrayLike, dec0_deg: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Gnomonic standard coordinates xi (east) and eta (north), degrees, about a tangent point.

    The TAN projection of FITS (Calabretta and Greisen 2002). NaN beyond 90 degrees.
    """
    centre, (east, north) = unit_vector(ra0_deg, dec0_deg), _axes(ra0_deg, dec0_deg)
    star = unit_vector(ra_deg, dec_deg)
    depth = dot(star, centre)
    depth = np.where(depth > 0.0, depth, np.nan)
    return np.degrees(dot(star, east) / depth), np.degrees(dot(star, north) / depth)


def deproject(
    xi_deg: ArrayLike, eta_deg: ArrayLike, ra0_deg: ArrayLike, dec0_deg: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Inverse of `project`: right ascension in [0, 360) and declination, degrees."""
    centre, (east, north) = unit_vector(ra0_deg, dec0_deg), _axes(ra0_deg, dec0_deg)
    xi, eta = np.radians(as_floats(xi_deg)), np.radians(as_floats(eta_deg))
    return spherical_deg(
        Vector(
            centre.x + xi * east.x + eta * north.x,
            centre.y + xi * east.y + eta * north.y,
            centre.z + xi * east.z + eta * north.z,
        )
    )


def pixel_scale_arcsec(pixel_um: float, focal_mm: float, binning: int = 1) -> float:
    """Sky per pixel at the centre of the field, arcsec."""
    _positive(pixel_um=pixel_um, focal_mm=focal_mm, binning=binning)
    return float(_ARCSEC_PER_RAD * 1e-3 * pixel_um * binning / focal_mm)


def field_of_view_deg(pixels: int, pixel_um: float, focal_mm: float) -> float:
    """Width of the sky on a row of pixels, degrees: 2 atan(d / 2F)."""
    _positive(pixels=pixels, pixel_um=pixel_um, focal_mm=focal_mm)
    return float(2.0 * np.degrees(np.arctan(pixels * pixel_um * 1e-3 / (2.0 * focal_mm))))


def critical_focus_zone_um(wavelength_nm: float, f_ratio: float) -> float:
    """Total depth over which defocus blurs less than the Airy disc, micrometres.

    4.88 lambda N^2: blur of diameter delta / N set equal to 2.44 lambda N on both sides.
    """
    _positive(wavelength_nm=wavelength_nm, f_ratio=f_ratio)
    return 4.88e-3 * wavelength_nm * f_ratio * f_ratio


def _axes(ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[Vector, Vector]:
    """Unit vectors east and north on the sphere at positions."""
    ra, dec = np.radians(as_floats(ra_deg)), np.radians(as_floats(dec_deg))
    zero = np.zeros_like(ra)
    north = Vector(-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec))
    return Vector(-np.sin(ra), np.cos(ra), zero), north


def _positive(**quantities: float) -> None:
    for name, value in quantities.items():
        if not value > 0:
            raise ValueError(f"{name} must be over zero, not {value}")
