"""Drift by a misaligned polar axis against vector rotations done here."""

import math

import numpy as np
import pytest

from midwatch_simulators.base import SIDEREAL_ARCSEC_PER_S, MountTruth


def rotated(vector: np.ndarray, axis: np.ndarray, angle_rad: float) -> np.ndarray:
    """Rodrigues' formula."""
    return (
        vector * math.cos(angle_rad)
        + np.cross(axis, vector) * math.sin(angle_rad)
        + axis * np.dot(axis, vector) * (1 - math.cos(angle_rad))
    )


def direction(ha_deg: float, dec_deg: float) -> np.ndarray:
    """Towards meridian and equator (x), east (y), pole (z)."""
    ha, dec = math.radians(ha_deg), math.radians(dec_deg)
    return np.array([math.cos(dec) * math.cos(ha), -math.cos(dec) * math.sin(ha), math.sin(dec)])


def drift_by_rotation(
    ha_deg: float, dec_deg: float, axis: np.ndarray, after_s: float
) -> tuple[float, float]:
    """Turn the telescope about its axis, undo the sky's turn about the pole."""
    turn = math.radians(SIDEREAL_ARCSEC_PER_S * after_s / 3600)
    start = direction(ha_deg, dec_deg)
    end = rotated(rotated(start, axis, -turn), np.array([0.0, 0.0, 1.0]), turn)
    east = np.array([math.sin(math.radians(ha_deg)), math.cos(math.radians(ha_deg)), 0.0])
    north = np.cross(start, east)
    return tuple(math.degrees(float(np.dot(end, way))) * 3600 for way in (east, north))


def truth(ha_deg: float, dec_deg: float, x_deg: float, y_deg: float) -> MountTruth:
    return MountTruth(
        utc_s=0,
        ra_deg=100,
        dec_deg=dec_deg,
        hour_angle_deg=ha_deg,
        tracking=True,
        axis_error_x_deg=x_deg,
        axis_error_y_deg=y_deg,
    )


@pytest.mark.parametrize("ha_deg", [-90.0, -35.0, 0.0, 50.0])
@pytest.mark.parametrize("dec_deg", [-20.0, 0.0, 45.0, 80.0])
def test_drift_equals_the_difference_of_two_rotations(ha_deg, dec_deg):
    x_deg, y_deg = 0.12, -0.05
    axis = np.array([math.radians(x_deg), math.radians(y_deg), 1.0])
    axis /= np.linalg.norm(axis)
    for after_s in (60.0, 600.0, 3600.0):
        ours = truth(ha_deg, dec_deg, x_deg, y_deg).drift_arcsec(after_s)
        theirs = drift_by_rotation(ha_deg, dec_deg, axis, after_s)
        # First order in the axis error: parts in 500 for 0.13 deg.
        assert ours == pytest.approx(theirs, abs=0.004 * max(1.0, *map(abs, theirs)) + 0.05)


def test_largest_drift_is_that_of_the_handbook():
    # 1 arcmin of axis error: 60 arcsec x 2 pi / 1436.068 min = 0.2625 arcsec/min (closed form).
    east, north = truth(0.0, 0.0, 0.0, 1 / 60).drift_arcsec(60.0)
    assert math.hypot(east, north) == pytest.approx(0.2625, abs=0.0003)


def test_drift_method_rules():
    # The drift method's rules (common practice; figures from the closed form): latitude 51.5,
    # axis 10 arcmin of azimuth too far east, star on the meridian at declination 0: in 600 s it
    # drifts south by 16.34 arcsec. Axis 10 arcmin too high, star at 6 h east: north by 26.24.
    aside = 10 / 60 * math.cos(math.radians(51.5))
    _, telescope_north = truth(0.0, 0.0, 0.0, aside).drift_arcsec(600.0)
    assert -telescope_north == pytest.approx(-16.34, abs=0.1)
    _, telescope_north = truth(-90.0, 0.0, 10 / 60, 0.0).drift_arcsec(600.0)
    assert -telescope_north == pytest.approx(26.24, abs=0.1)


def test_periodic_error_slope():
    # 20 arcsec peak to peak in 480 s: at most 0.1309 arcsec/s (derivative of the sine).
    worm = MountTruth(
        utc_s=0, ra_deg=0, dec_deg=0, hour_angle_deg=0, tracking=True, worm_arcsec=20,
        worm_period_s=480,
    )  # fmt: skip
    east = np.array([worm.drift_arcsec(float(t))[0] for t in range(481)])
    assert np.ptp(east) == pytest.approx(20.0, abs=0.01)
    assert np.abs(np.diff(east)).max() == pytest.approx(0.1309, abs=0.001)
