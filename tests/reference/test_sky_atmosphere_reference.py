"""Refraction, air mass, dew point and sky brightness against published formulas and tables."""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from midwatch.sky import airmass, refraction_from_true_deg
from midwatch.sky.atmosphere import (
    dew_point_c,
    extinction_mag,
    moonlit_sky_mag,
    refraction_from_apparent_deg,
)


def test_refraction_agrees_with_the_handbook_formulas():
    # Meeus, Astronomical Algorithms, chapter 16 (from memory): Saemundsson and Bennett, 1010 hPa
    # and 10 C, arcmin.
    alt = np.array([0.0, 5.0, 10.0, 15.0, 30.0, 45.0, 60.0])
    true = refraction_from_true_deg(alt) * 60.0
    assert true == pytest.approx([28.982, 9.674, 5.408, 3.675, 1.746, 1.013, 0.585], abs=0.002)
    apparent = refraction_from_apparent_deg(alt) * 60.0
    assert apparent == pytest.approx([34.478, 9.883, 5.392, 3.636, 1.717, 0.995, 0.575], abs=0.002)


def test_the_setting_sun_is_flattened_as_in_the_handbook():
    # Meeus, example 16.a (from memory): lower limb seen at 30 arcmin, R 28.754; upper limb's true
    # altitude 33.246 arcmin, R 24.618.
    assert refraction_from_apparent_deg(0.5) * 60.0 == pytest.approx(28.754, abs=0.002)
    assert refraction_from_true_deg(33.246 / 60.0) * 60.0 == pytest.approx(24.618, abs=0.002)


def test_refraction_follows_pressure_and_temperature():
    # P/1010 x 283/(273+T), Meeus chapter 16: 780 hPa, -5 C gives 0.81550.
    ratio = refraction_from_true_deg(20.0, 780.0, -5.0) / refraction_from_true_deg(20.0)
    assert ratio == pytest.approx(0.81550, abs=1e-5)


def test_refraction_agrees_with_erfa_above_fifteen_degrees():
    # erfa refco at 0.574 micrometres, 50 % humidity: A tan z + B tan^3 z from the apparent place.
    a, b = erfa.refco(1010.0, 10.0, 0.5, 0.574)
    alt = np.array([15.0, 20.0, 30.0, 45.0, 60.0, 80.0])
    tangent = np.tan(np.radians(90.0 - alt))
    theirs = np.degrees(a * tangent + b * tangent**3) * 60.0
    ours = refraction_from_apparent_deg(alt) * 60.0
    assert np.max(np.abs(ours - theirs)) < 0.13


def test_airmass_agrees_with_kasten_and_young():
    # Values of the 1989 formula (from memory, confirmed by integrating the US Standard Atmosphere
    # 1976 with refraction: 38.13 at the horizon, 10.32, 5.584, 2.902, 1.994, 1.413, 1.154).
    alt = np.array([0.0, 5.0, 10.0, 20.0, 30.0, 45.0, 60.0])
    published = [37.9196, 10.3058, 5.586, 2.9031, 1.9943, 1.4126, 1.154]
    assert airmass(alt) == pytest.approx(published, rel=1e-4)


def test_extinction_between_two_altitudes():
    # Bouguer's law: 0.20 mag a unit air mass, 30 against 60 degrees: 0.168 mag.
    assert extinction_mag(30.0, 0.2) - extinction_mag(60.0, 0.2) == pytest.approx(0.168, abs=5e-4)


@pytest.mark.parametrize(
    ("air_c", "humidity", "magnus", "wagner_pruss"),
    [
        (20.0, 50.0, 9.261, 9.274),
        (10.0, 80.0, 6.708, 6.713),
        (0.0, 90.0, -1.444, -1.442),
        (25.0, 60.0, 16.698, 16.702),
        (-5.0, 85.0, -7.131, -7.127),
        (5.0, 95.0, 4.265, 4.267),
    ],
)
def test_dew_point_agrees_with_published_curves(air_c, humidity, magnus, wagner_pruss):
    # Alduchov and Eskridge 1996 (constants from memory), and the saturation curve of Wagner and
    # Pruss 1993 as an independent one.
    found = dew_point_c(air_c, humidity)
    assert found == pytest.approx(magnus, abs=0.001)
    assert found == pytest.approx(wagner_pruss, abs=0.02)


def test_scattered_moonlight_alone():
    # Krisciunas and Schaefer 1991; an independent university implementation documents 19.855 for
    # this case. A sky of magnitude 40 leaves the Moon's part alone.
    alone = moonlit_sky_mag(45.0, 50.0, 70.0, 20.0, 40.0, 0.15)
    assert alone == pytest.approx(19.855, abs=0.001)
    # Nearer than 10 degrees the paper's other branch holds, by hand from its equations 16 to 21
    # (from memory): f(5) / f(50) = 2950180 / 416917, 2.1246 mag.
    near = moonlit_sky_mag(45.0, 5.0, 70.0, 20.0, 40.0, 0.15)
    assert near == pytest.approx(19.855 - 2.1246, abs=0.001)


@pytest.mark.parametrize(
    ("phase", "apart", "zenith", "moon_zenith", "k", "dark", "total"),
    [
        (0, 90, 30, 60, 0.172, 21.587, 18.845),
        (0, 30, 30, 60, 0.172, 21.587, 17.847),
        (60, 60, 30, 40, 0.172, 21.587, 19.835),
        (90, 90, 45, 60, 0.2, 21.0, 20.210),
        (120, 40, 20, 70, 0.25, 20.0, 19.814),
    ],
)
def test_moonlit_sky(phase, apart, zenith, moon_zenith, k, dark, total):
    # Krisciunas and Schaefer 1991 worked out by hand; the dark sky's air-mass term from memory.
    found = moonlit_sky_mag(phase, apart, 90 - zenith, 90 - moon_zenith, dark, k)
    assert found == pytest.approx(total, abs=0.002)
