"""Guiding against closed forms, other libraries, and controllers that are not the program's.

Values marked N are evaluated from the stated closed form; formulas are from memory where said.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.timeseries import LombScargle

from midwatch.imaging.guiding import GuidePointing
from midwatch.imaging.guiding.calibrating import Calibration, Steering
from midwatch.imaging.guiding.guide_settings import SIDEREAL_ARCSEC_S
from midwatch.imaging.guiding.statistics import GuideHistory
from midwatch.imaging.guiding.steering.axis_control import AxisController
from midwatch.imaging.guiding.steering.spectrum import find_periods, unguided_blur_arcsec
from midwatch.imaging.guiding.tracking.centroids import centroid_error_px, measure_centroids
from support.guiding_bench import ROUGH, SMOOTH, GuideScope, Habits, NumberMount, Optics
from support.guiding_runs import clairvoyant, guided, plain
from support.imaging_truth import gaussian, moffat, render

BEST_GAIN = 1.2
# N: 206.264806 x 3.75 um / 200 mm.
GUIDE_SCALE_ARCSEC_PX = 3.86747


def at_equator(scale_arcsec_px: float, guide_rate: float = 0.5) -> Calibration:
    rate = guide_rate * 1_296_000 / 86_164.0905 / scale_arcsec_px
    return Calibration(
        west_px_s=(rate, 0.0),
        north_px_s=(0.0, rate),
        dec_deg=0.0,
        pier_side="east",
        scale_arcsec_px=scale_arcsec_px,
    )


def steering(scale_arcsec_px: float, dec_deg: float) -> Steering:
    pointing = GuidePointing(dec_deg=dec_deg, pier_side="east")
    return at_equator(scale_arcsec_px).steering(pointing, turned=False, dec_follows_sky=True)


def test_sidereal_and_guide_rate() -> None:
    # N: 1296000 / 86164.0905 arcsec/s; half of it at the equator and at declination 60.
    assert pytest.approx(15.04107, abs=1e-4) == SIDEREAL_ARCSEC_S
    assert at_equator(1.0).expected_ra_rate_px_s(0.5) == pytest.approx(7.52053, abs=1e-4)
    assert steering(1.0, 60.0).ra_rate_arcsec_s == pytest.approx(3.76027, abs=1e-4)
    assert steering(1.0, 60.0).dec_rate_arcsec_s == pytest.approx(7.52053, abs=1e-4)


def test_a_pulse_in_pixels() -> None:
    # N: 7.52053 arcsec/s x 0.5 s / 3.86747 arcsec/px.
    there = steering(GUIDE_SCALE_ARCSEC_PX, 0.0)
    assert 0.5 * float(np.hypot(*there.west_px_s)) == pytest.approx(0.9723, abs=1e-3)


def test_a_dither_of_the_main_camera_in_guide_pixels() -> None:
    # N: 5 px x 1.61574 arcsec/px / 3.86747 arcsec/px.
    moved = steering(GUIDE_SCALE_ARCSEC_PX, 30.0).shift_px(5 * 1.61574, 0.0)
    assert math.hypot(*moved) == pytest.approx(2.0889, abs=1e-4)


def test_right_ascension_pulses_grow_with_declination() -> None:
    # N: 8 arcsec east at declination 60 are 16 arcsec, 1.0667 s, of right ascension; at half the
    # sidereal rate the mount needs 16 / 7.52053 s.
    assert steering(2.0, 60.0).ra_pulse_ms(8.0) == pytest.approx(1e3 * 16 / 7.52053, abs=0.1)


def test_the_error_of_a_centroid_at_the_photon_limit() -> None:
    # N: FWHM / (2.355 SNR), the photon limit.
    error = centroid_error_px(np.array([3.0]), np.array([20.0]))
    assert error[0] == pytest.approx(0.0637, abs=1e-3)


@pytest.mark.parametrize(("flux", "sky"), [(60_000.0, 20.0), (3_000.0, 1_500.0)])
def test_stated_centroid_errors_are_those_of_rendered_stars(flux: float, sky: float) -> None:
    # Photon-limited and sky-limited: Thompson, Larson and Webb 2002, equation 17 (memory), against
    # the scatter of stars rendered without the program. The weighted mean costs 16/9 of the photon
    # variance: the integral of (x w)^2 I over the square of half that of w I, N.
    rng = np.random.default_rng(2)
    x, y = np.meshgrid(np.arange(25.0, 400, 25), np.arange(25.0, 300, 25))
    x, y = (a.ravel() + rng.uniform(-0.5, 0.5, a.size) for a in (x, y))
    truth = render(
        gaussian(1.3), shape=(320, 420), sky=sky, known=(x, y, np.full(x.size, flux)), seed=5
    )
    seen = measure_centroids(truth.data, np.rint(x), np.rint(y), 1.3 * 2.3548, 2.0)
    offset = np.concatenate([seen.x_px - x, seen.y_px - y])
    assert np.isfinite(offset).all()
    assert np.std(offset) == pytest.approx(np.median(seen.error_px), rel=0.2)
    assert abs(offset.mean()) < 0.01


def test_centroids_agree_with_photutils() -> None:
    from photutils.centroids import centroid_2dg, centroid_sources

    truth = render(moffat(3.0, 3.0), shape=(200, 240), stars=12, flux=(5e4, 2e5), sky=100, seed=6)
    ours = measure_centroids(truth.data, np.rint(truth.x), np.rint(truth.y), 3.0, 2.0)
    x, y = centroid_sources(
        truth.data.astype(float) - 200.0, truth.x, truth.y, box_size=11, centroid_func=centroid_2dg
    )
    assert ours.x_px == pytest.approx(x, abs=0.03)
    assert ours.y_px == pytest.approx(y, abs=0.03)


def test_rms_of_both_axes_adds_in_quadrature() -> None:
    # N: 0.5 and 0.4 arcsec give 0.640 arcsec.
    history = GuideHistory(1e9)
    for i in range(50):
        history.add(i, 0.5 * (-1) ** i, 0.4 * (-1) ** i, 0.0, 0.0)
    assert history.figures(0.0, 0.0)["rms_total_arcsec"] == pytest.approx(0.640, abs=1e-3)


def test_periodic_error_of_twenty_arcseconds() -> None:
    # N: 20 arcsec peak to peak in 480 s: 0.1309 arcsec/s at most, 7.07 arcsec rms over a turn.
    time = np.arange(0, 4 * 480.0, 2.0)
    error = 10.0 * np.sin(2 * np.pi * time / 480.0)
    ((period, amplitude),) = find_periods(time, error)
    assert 2 * np.pi * amplitude / period == pytest.approx(0.1309, abs=1e-3)
    assert unguided_blur_arcsec(time, error, 480.0, 0.0) == pytest.approx(7.07, abs=0.03)


def test_the_period_is_the_one_that_astropy_finds() -> None:
    rng = np.random.default_rng(11)
    time = np.sort(rng.uniform(0, 3000, 500))
    error = 1.5 * np.sin(2 * np.pi * time / 307.0) + rng.normal(size=500)
    frequency = np.linspace(1 / 1500, 1 / 60, 8000)
    power = LombScargle(time, error).power(frequency)
    (period, _), *_ = find_periods(time, error)
    assert period == pytest.approx(1 / frequency[np.argmax(power)], rel=0.01)


def axis_residual(drift_arcsec_s: float, noise_arcsec: float) -> tuple[float, float]:
    """Mean and standard deviation of an axis' error in a closed loop of 2 s cycles."""
    axis = AxisController(most_arcsec=10.0, least_arcsec=0.0, coast_s=30.0)
    rng = np.random.default_rng(12)
    moved, errors = 0.0, []
    for i in range(300):
        error = drift_arcsec_s * 2.0 * i + moved
        move = axis.step(2.0 * i, error + noise_arcsec * rng.normal(), 0.0, 2.0 * i + 2).move_arcsec
        axis.performed(move)
        moved += move
        errors.append(error)
    return float(np.mean(errors[100:])), float(np.std(errors[100:]))


def test_less_noise_and_lag_than_any_useful_proportional_gain() -> None:
    # N: a gain g on white noise leaves the variance g / (2 - g), which is 0.420 rms at g = 0.3; a
    # drift d a cycle leaves d / g: 0.1 arcsec at g = 0.5 leaves 0.2.
    mean, scatter = axis_residual(0.05, 1.0)
    assert scatter < math.sqrt(0.3 / (2 - 0.3))
    mean, _ = axis_residual(0.05, 0.1)
    assert abs(mean) < 0.2 / 4


def scope(habits: Habits) -> GuideScope:
    return GuideScope(NumberMount(habits, seed=3), optics=Optics(shape=(150, 190)), stars=5, seed=3)


def test_on_a_smooth_mount_stars_stand_nearly_as_still_as_for_a_clairvoyant() -> None:
    # The same seeing for both; where the stars stood, seeing included, after learning the drive.
    night = guided(scope(SMOOTH), 900.0, periods_s=(480.0,))
    start_s = night.trace.time_s[0]
    best = clairvoyant(scope(SMOOTH), 900.0, foresees=False, start_s=start_s)
    late_s = start_s + 450.0
    ratio = night.trace.image_motion_arcsec(late_s) / best.image_motion_arcsec(late_s)
    assert 1.0 < ratio < 1.15


def test_on_a_rough_mount_less_is_left_than_by_the_best_proportional_gain() -> None:
    # Of gains from 0.5 to 1.2 and no dead band: the one that leaves least on this mount.
    night = guided(scope(ROUGH), 900.0, periods_s=(480.0,))
    start_s = night.trace.time_s[0]
    late_s = start_s + 400.0
    rule = plain(scope(ROUGH), 900.0, BEST_GAIN, 0.0, start_s)
    assert night.trace.residual_arcsec(late_s)[2] < 0.7 * rule.residual_arcsec(late_s)[2]
