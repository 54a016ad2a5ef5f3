"""Where a mount's polar axis points, from solved frames or from how stars drift.

Directions are those in which a telescope really looks: apparent places of date, lifted by
refraction, in a frame fixed to the ground. A telescope that turns about one axis alone keeps its
distance from that axis, whether it was slewed or tracked meanwhile; so the directions of a few
frames lie on a cone, and the axis is the normal of the plane through them.

Signs: altitude is positive where the axis points too high, azimuth where its azimuth (from north
through east) is too large. That is too far east in the north, where the axis rises towards the
northern pole, and too far west in the south. The pole is the true one, not lifted by refraction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from midwatch.sky.atmosphere import refraction_from_true_deg
from midwatch.sky.ephemeris import earth_at
from midwatch.sky.place import SIDEREAL_DEG_PER_S, Observer, Place, hour_angle_of
from midwatch.sky.vectors import FloatArray, unit_vector, wrap_180

_ARCMIN_PER_RAD = 180.0 * 60.0 / math.pi
_ARCSEC_PER_RAD = 180.0 * 3600.0 / math.pi
_SIDEREAL_ARCSEC_PER_MIN = SIDEREAL_DEG_PER_S * 3600.0 * 60.0

# Below the first nothing can be said; below the second the user is warned. The error in the axis
# grows with the inverse square of the turn: 2 arcsec of noise become 0.3 arcmin at 60 degrees.
_LEAST_TURN_DEG = 3.0
_WEAK_TURN_DEG = 40.0
_LEAST_CONE_DEG = 0.2
_LOW_ALT_DEG = 15.0  # refraction is known to 0.1 arcmin above, worse below
_WEAK_POLE_DEG = 80.0  # near the Earth's poles azimuth means little
_WEAK_SIGMA_ARCMIN = 1.0
# Half the span over which the motion of a star is differenced; shorter loses digits.
_DIFFERENCE_S = 30.0


class WeakGeometryError(ValueError):
    """The measurements do not show where the axis points; the message says what would."""


@dataclass(frozen=True)
class SolvedFrame:
    """Where the centre of a frame pointed in the middle of its exposure; ICRS, POSIX seconds."""

    ra_deg: float
    dec_deg: float
    utc_s: float


@dataclass(frozen=True)
class Drift:
    """How a star crept across the field of a telescope that was tracking it.

    Attributes:
        ha_deg: hour angle in the middle of the measurement, west positive.
        dec_deg: declination of date.
        north_arcsec_per_min: rate at which the star moved north in the field.
        east_arcsec_per_min: the same towards east; None if it was not measured.
        sigma_north_arcsec_per_min: its standard error.
        sigma_east_arcsec_per_min: the same towards east, to which gears and drive rate add theirs.
    """

    ha_deg: float
    dec_deg: float
    north_arcsec_per_min: float
    east_arcsec_per_min: float | None = None
    sigma_north_arcsec_per_min: float = 0.1
    sigma_east_arcsec_per_min: float = 1.0


@dataclass(frozen=True)
class AxisError:
    """By how much the polar axis misses the pole; for the signs see the module.

    Attributes:
        altitude_arcmin: too high if positive.
        azimuth_arcmin: angle of azimuth, as a knob turns it.
        total_arcmin: angle on the sky between axis and pole.
        sigma_altitude_arcmin: standard error of the altitude.
        sigma_azimuth_arcmin: standard error of the azimuth.
        residual_arcsec: root mean square of what the fit leaves (zero without redundancy).
        turn_deg: how far around the axis the measurements reach.
        warnings: what makes the result weak, in words.
    """

    altitude_arcmin: float
    azimuth_arcmin: float
    total_arcmin: float
    sigma_altitude_arcmin: float
    sigma_azimuth_arcmin: float
    residual_arcsec: float = 0.0
    turn_deg: float = 0.0
    warnings: tuple[str, ...] = ()


def hemisphere_of(place: Place) -> float:
    """1 where the northern pole is the elevated one, and on the equator; -1 in the south."""
    return 1.0 if place.latitude_deg >= 0.0 else -1.0


def ground_vectors(alt_deg: FloatArray, az_deg: FloatArray) -> FloatArray:
    """Unit vectors (east, north, up) of horizontal directions, shape (..., 3); right-handed."""
    north, east, up = unit_vector(az_deg, alt_deg)
    return np.stack(np.broadcast_arrays(east, north, up), axis=-1)


def pole_vector(place: Place) -> FloatArray:
    """Unit vector (east, north, up) towards the elevated pole, shape (3,)."""
    alt, az = _pole_altaz(place)
    return ground_vectors(np.asarray(alt), np.asarray(az))


def tangents(axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vectors at a direction towards larger altitude and larger azimuth."""
    flat = math.hypot(axis[0], axis[1])
    sin_az, cos_az = (axis[0] / flat, axis[1] / flat) if flat > 0.0 else (0.0, 1.0)
    up = np.array([-axis[2] * sin_az, -axis[2] * cos_az, flat])
    return up, np.array([cos_az, -sin_az, 0.0])


def looking_at(observer: Observer, frames: Sequence[SolvedFrame]) -> FloatArray:
    """Unit vectors (east, north, up) along which frames looked, shape (N, 3), refraction in."""
    ra, dec, utc_s = np.array([(f.ra_deg, f.dec_deg, f.utc_s) for f in frames]).T
    alt, az = observer.altaz(ra, dec, utc_s)
    return ground_vectors(_lifted(observer.place, alt), az)


def axis_from_frames(
    observer: Observer, frames: Sequence[SolvedFrame], sigma_arcsec: float = 2.0
) -> AxisError:
    """Axis of a mount that was turned about it between frames, and about nothing else.

    The plane through the directions by least squares (smallest singular vector of their centred
    coordinates); standard errors by propagation of the noise through the linearised fit.

    Args:
        observer: where the mount is, with the air for refraction.
        frames: three or more, at different hour angles, on one side of the pier and with the
            declination axis at rest. Several at one hour angle lessen the noise.
        sigma_arcsec: noise of a solved position along each axis; the residuals count if larger.

    Raises:
        WeakGeometryError: fewer than three frames, too small a turn, or a field on the axis.
    """
    if len(frames) < 3:
        raise WeakGeometryError(f"three solved frames are needed, there are {len(frames)}")
    looks = looking_at(observer, frames)
    _, _, rows = np.linalg.svd(looks - looks.mean(axis=0))
    pole = pole_vector(observer.place)
    axis = rows[2] * math.copysign(1.0, float(rows[2] @ pole))
    cone_deg, turn_deg = _cone(axis, looks)
    _require_turn(cone_deg, turn_deg)
    sin_cone = math.sin(math.radians(cone_deg))
    misses = (looks - looks.mean(axis=0)) @ axis / sin_cone * _ARCSEC_PER_RAD
    spare = len(frames) - 3
    rms = math.sqrt(float(misses @ misses) / spare) if spare else 0.0
    up, along = tangents(axis)
    design = np.stack([looks @ up, looks @ along, -np.ones(len(frames))], axis=1) / sin_cone
    covariance = np.linalg.inv(design.T @ design) * max(sigma_arcsec, rms) ** 2
    sigmas = np.sqrt(np.diag(covariance))[:2] / 60.0
    lowest_deg = math.degrees(math.asin(float(looks[:, 2].min())))
    return axis_error(
        observer.place, axis, (float(sigmas[0]), float(sigmas[1])), rms, turn_deg, lowest_deg
    )


def drift_from_frames(
    observer: Observer, frames: Sequence[SolvedFrame], sigma_arcsec: float = 2.0
) -> Drift:
    """How stars drifted, from solved frames of one field taken while the mount tracked it.

    A straight line through the positions of date; the star moves against the field's centre.

    Raises:
        WeakGeometryError: fewer than two frames, or all at one time.
    """
    ra, dec, utc_s = np.array([(f.ra_deg, f.dec_deg, f.utc_s) for f in frames]).T
    minutes = (utc_s - utc_s.mean()) / 60.0
    spread = float(minutes @ minutes)
    if len(frames) < 2 or spread == 0.0:
        raise WeakGeometryError("drift needs frames of one field at two or more times")
    star = observer.star_vector(ra, dec, earth_at(utc_s))
    ha = hour_angle_of(star)
    dec_of_date = np.degrees(np.arcsin(star.z))
    ra_of_date = wrap_180(observer.local_sidereal_deg(utc_s) - ha)
    east = wrap_180(ra_of_date - ra_of_date[0]) * np.cos(np.radians(dec_of_date)) * 3600.0
    sigma = sigma_arcsec / math.sqrt(spread)
    middle = float(ha[0] + np.mean(wrap_180(ha - ha[0])))
    return Drift(
        ha_deg=float(wrap_180(middle)),
        dec_deg=float(dec_of_date.mean()),
        north_arcsec_per_min=-float(minutes @ dec_of_date) * 3600.0 / spread,
        east_arcsec_per_min=-float(minutes @ east) / spread,
        sigma_north_arcsec_per_min=sigma,
        sigma_east_arcsec_per_min=max(sigma, Drift.sigma_east_arcsec_per_min),
    )


def axis_from_drift(place: Place, drifts: Sequence[Drift]) -> AxisError:
    """Axis of a tracking mount from the drift of stars at two or more hour angles.

    The telescope moves over the ground as omega x direction, with omega along its axis: linear
    in omega, so all measurements enter one weighted least-squares fit, exact for any size of
    error. Refraction, which makes stars drift with a perfect axis as well, is taken off. With
    drifts towards east the drive's rate is fitted too.

    Raises:
        WeakGeometryError: fewer than two measurements, or all near one hour angle.
    """
    if len(drifts) < 2:
        raise WeakGeometryError("drift is needed at two hour angles or more")
    pole = pole_vector(place)
    up, along = tangents(pole)
    north_pole = hemisphere_of(place) * pole
    basis = -hemisphere_of(place) * np.stack([up, along, pole], axis=1)
    rows, values = [], []
    for drift in drifts:
        look, speed = _star_over_ground(place, drift.ha_deg, drift.dec_deg)
        east = np.cross(north_pole, look)
        east /= np.linalg.norm(east)
        north = np.cross(look, east)
        star_north = float(speed @ north) * _ARCSEC_PER_RAD
        sigma = drift.sigma_north_arcsec_per_min
        # north . (omega x look) = -omega . east; the pole's own share of it is zero.
        rows.append(-(east @ basis) * _SIDEREAL_ARCSEC_PER_MIN / sigma)
        values.append((star_north - drift.north_arcsec_per_min) / sigma)
        if drift.east_arcsec_per_min is not None:
            star_east = float(speed @ east) * _ARCSEC_PER_RAD
            sigma = drift.sigma_east_arcsec_per_min
            rows.append((north @ basis) * _SIDEREAL_ARCSEC_PER_MIN / sigma)
            values.append((star_east - drift.east_arcsec_per_min) / sigma)
    turn_deg = _spread_deg([drift.ha_deg for drift in drifts])
    rate_known = any(drift.east_arcsec_per_min is not None for drift in drifts)
    design = np.array(rows) if rate_known else np.array(rows)[:, :2]
    # Unless the mount's rate is known from drifts towards east, it does not enter.
    normal_matrix = design.T @ design
    if turn_deg < _LEAST_TURN_DEG or np.linalg.cond(normal_matrix) > 1e12:
        raise WeakGeometryError(
            f"the drifts reach over {turn_deg:.1f} deg of hour angle: measure one field near the "
            "meridian and one towards east or west"
        )
    covariance = np.linalg.inv(normal_matrix)
    found = covariance @ design.T @ np.array(values)
    tilt_up, tilt_along = float(found[0]), float(found[1])
    ahead = found[2] if rate_known else math.sqrt(max(0.0, 1.0 - tilt_up**2 - tilt_along**2))
    axis = tilt_up * up + tilt_along * along + ahead * pole
    sigmas = np.sqrt(np.diag(covariance))[:2] * _ARCMIN_PER_RAD
    lowest_deg = min(
        math.degrees(math.asin(_star_over_ground(place, d.ha_deg, d.dec_deg)[0][2])) for d in drifts
    )
    return axis_error(
        place,
        axis / np.linalg.norm(axis),
        (float(sigmas[0]), float(sigmas[1])),
        0.0,
        turn_deg,
        lowest_deg,
    )


def axis_error(
    place: Place,
    axis: FloatArray,
    sigmas_arcmin: tuple[float, float],
    residual_arcsec: float = 0.0,
    turn_deg: float = 0.0,
    lowest_deg: float = 90.0,
) -> AxisError:
    """Describe an axis, a unit vector (east, north, up) towards its elevated end.

    Args:
        place: whose pole is meant.
        axis: the axis.
        sigmas_arcmin: standard errors on the sky, along altitude and along azimuth.
        residual_arcsec: as in `AxisError`.
        turn_deg: as in `AxisError`; zero if it has no meaning.
        lowest_deg: altitude of the lowest measurement.
    """
    pole_alt, pole_az = _pole_altaz(place)
    pole = pole_vector(place)
    alt = math.degrees(math.atan2(axis[2], math.hypot(axis[0], axis[1])))
    az = math.degrees(math.atan2(axis[0], axis[1]))
    total = math.atan2(float(np.linalg.norm(np.cross(axis, pole))), float(axis @ pole))
    shrink = max(math.cos(math.radians(alt)), 1e-6)
    warnings = []
    if 0.0 < turn_deg < _WEAK_TURN_DEG:
        warnings.append(
            f"the measurements reach over {turn_deg:.0f} deg only; {_WEAK_TURN_DEG:.0f} deg or "
            "more make the result firm"
        )
    if max(sigmas_arcmin) > _WEAK_SIGMA_ARCMIN:
        warnings.append(f"uncertain by {max(sigmas_arcmin):.1f} arcmin on the sky: measure again")
    if lowest_deg < _LOW_ALT_DEG:
        warnings.append(f"measured down to altitude {lowest_deg:.0f} deg, where refraction varies")
    if abs(place.latitude_deg) > _WEAK_POLE_DEG:
        warnings.append("so near the Earth's pole azimuth means little; go by the total")
    return AxisError(
        altitude_arcmin=(alt - pole_alt) * 60.0,
        azimuth_arcmin=float(wrap_180(az - pole_az)) * 60.0,
        total_arcmin=total * _ARCMIN_PER_RAD,
        sigma_altitude_arcmin=sigmas_arcmin[0],
        sigma_azimuth_arcmin=sigmas_arcmin[1] / shrink,
        residual_arcsec=residual_arcsec,
        turn_deg=turn_deg,
        warnings=tuple(warnings),
    )


def axis_vector(place: Place, altitude_arcmin: float, azimuth_arcmin: float) -> FloatArray:
    """Unit vector (east, north, up) of an axis that misses the pole by so much; shape (3,)."""
    alt, az = _pole_altaz(place)
    return ground_vectors(
        np.asarray(alt + altitude_arcmin / 60.0), np.asarray(az + azimuth_arcmin / 60.0)
    )


def _pole_altaz(place: Place) -> tuple[float, float]:
    return abs(place.latitude_deg), 0.0 if place.latitude_deg >= 0.0 else 180.0


def _lifted(place: Place, alt_deg: FloatArray) -> FloatArray:
    return alt_deg + refraction_from_true_deg(alt_deg, place.air_pressure_hpa, place.temperature_c)


def _cone(axis: FloatArray, looks: FloatArray) -> tuple[float, float]:
    """Mean distance of directions from an axis, and how far around it they reach, degrees."""
    along = looks @ axis
    across = looks - along[:, None] * axis
    up, aside = tangents(axis)
    around = np.degrees(np.arctan2(across @ aside, across @ up))
    cone = np.degrees(np.arctan2(np.linalg.norm(across, axis=1), along))
    return float(cone.mean()), _spread_deg(around.tolist())


def _spread_deg(angles_deg: Sequence[float]) -> float:
    """Length of the shortest arc that holds all angles."""
    ordered = np.sort(np.mod(angles_deg, 360.0))
    gaps = np.diff(np.append(ordered, ordered[0] + 360.0))
    return float(360.0 - gaps.max())


def _require_turn(cone_deg: float, turn_deg: float) -> None:
    if turn_deg < _LEAST_TURN_DEG:
        raise WeakGeometryError(
            f"the frames are {turn_deg:.1f} deg of rotation apart: turn the mount in right "
            "ascension by 25 to 40 deg between them"
        )
    if min(cone_deg, 180.0 - cone_deg) < _LEAST_CONE_DEG:
        raise WeakGeometryError(
            f"the field is {cone_deg * 60.0:.0f} arcmin from the axis itself: point elsewhere"
        )


def _star_over_ground(place: Place, ha_deg: float, dec_deg: float) -> tuple[FloatArray, FloatArray]:
    """Refracted direction of a star (east, north, up), and its motion in radians a minute."""
    ha = ha_deg + SIDEREAL_DEG_PER_S * np.array([0.0, -_DIFFERENCE_S, _DIFFERENCE_S])
    x, west, z = unit_vector(ha, dec_deg)
    latitude = math.radians(place.latitude_deg)
    up = math.cos(latitude) * x + math.sin(latitude) * z
    north = math.cos(latitude) * z - math.sin(latitude) * x
    alt = np.degrees(np.arctan2(up, np.hypot(north, west)))
    az = np.degrees(np.arctan2(-west, north))
    here, before, after = ground_vectors(_lifted(place, alt), az)
    return here, (after - before) * (30.0 / _DIFFERENCE_S)
