from __future__ import annotations

import math

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.sky import Observer, Place, airmass, refraction_from_true_deg, sky_brightness_mag
from midwatch.sky.atmosphere import (
    dew_point_c,
    moonlit_sky_mag,
    refraction_from_apparent_deg,
    twilight_sky_mag,
)
from support.sky_truth import posix

OBSERVER = Observer(Place(51.75, -1.25, 100.0))


@given(st.floats(3.0, 90.0))
def test_refraction_up_and_down_again(alt):
    # The two formulas are fitted apart; Meeus states 0.1 arcmin of agreement near the horizon.
    seen = alt + refraction_from_true_deg(alt)
    assert seen - refraction_from_apparent_deg(seen) == pytest.approx(alt, abs=0.1 / 60.0)


@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1010, 10), (880, 0), (1013, -10)])
@pytest.mark.parametrize(("least_deg", "within_arcmin"), [(15.0, 0.15), (30.0, 0.085)])
def test_refraction_is_as_near_to_the_rigorous_model_as_it_says(
    pressure_hpa, temperature_c, least_deg, within_arcmin
):
    """ERFA's `refco` gives R = A tan z + B tan^3 z, z as seen, from an atmosphere in layers."""
    seen = np.arange(least_deg, 89.0, 1.0)
    a_rad, b_rad = erfa.refco(pressure_hpa, temperature_c, 0.3, 0.55)
    tan_z = np.tan(np.radians(90.0 - seen))
    lifted = np.degrees(a_rad * tan_z + b_rad * tan_z**3)
    air = (pressure_hpa, temperature_c)
    off = (refraction_from_true_deg(seen - lifted, *air) - lifted) * 60.0
    assert np.abs(off).max() < within_arcmin
    off = (refraction_from_apparent_deg(seen, *air) - lifted) * 60.0
    assert np.abs(off).max() < 0.1


def test_refraction_never_turns_negative_and_ends_below_the_horizon():
    alt = np.array([-90.0, -5.0, -1.0, 89.99, 90.0])
    for formula in (refraction_from_true_deg, refraction_from_apparent_deg):
        lift = formula(alt)
        assert np.isfinite(lift).all()
        assert (lift >= 0.0).all()
        assert lift[0] == lift[1] == lift[2]


def test_airmass_at_the_ends():
    assert airmass(90.0) == 1.0
    assert airmass(-0.1) == math.inf
    assert airmass([[30.0, 60.0]]).shape == (1, 2)


@given(st.floats(-30.0, 45.0), st.floats(1.0, 100.0))
def test_dew_point_is_never_above_the_air(air_c, humidity):
    assert dew_point_c(air_c, humidity) <= air_c + 1e-9


def test_dew_point_at_the_ends():
    assert dew_point_c(7.0, 100.0) == pytest.approx(7.0)
    assert dew_point_c(7.0, 0.0) == -math.inf


def test_a_moon_below_the_horizon_adds_nothing():
    dark = moonlit_sky_mag(0.0, 60.0, 60.0, -5.0, 21.5)
    assert dark == moonlit_sky_mag(150.0, 60.0, 60.0, -5.0, 21.5)
    assert moonlit_sky_mag(0.0, 60.0, 90.0, -5.0, 21.5) == pytest.approx(21.5, abs=1e-9)


def test_moonlight_grows_with_phase_and_nearness():
    phases = moonlit_sky_mag(np.array([0.0, 40.0, 90.0, 150.0]), 60.0, 60.0, 40.0, 21.5)
    assert (np.diff(phases) > 0.0).all()
    apart = moonlit_sky_mag(0.0, np.array([0.0, 0.5, 2.0, 9.0, 20.0, 60.0]), 60.0, 40.0, 21.5)
    assert np.isfinite(apart).all()
    assert (np.diff(apart) > 0.0).all()


def test_twilight_fades_smoothly_into_the_night():
    # Common practice, no source: bright by day, a few hundredths off the dark sky at -18.
    alt = np.linspace(60.0, -30.0, 9001)
    mag = twilight_sky_mag(alt, 21.8)
    assert (np.diff(mag) >= 0.0).all()
    assert np.max(np.diff(mag)) < 0.0112  # at most 1.1 mag a degree: no step
    assert twilight_sky_mag(-18.0, 21.8) == pytest.approx(21.8, abs=0.05)
    assert twilight_sky_mag(-30.0, 21.8) == pytest.approx(21.8, abs=1e-4)
    assert twilight_sky_mag(-6.0, 21.8) < 14.0
    assert twilight_sky_mag(30.0, 21.8) < 4.0


def test_sky_brightness_follows_the_night():
    zenith_dec = 51.75
    moonless = posix("2026-12-13T00:00:00Z")
    overhead = float(OBSERVER.local_sidereal_deg(moonless))
    assert sky_brightness_mag(OBSERVER, overhead, zenith_dec, moonless, 21.5) == pytest.approx(
        21.5, abs=0.01
    )
    full = posix("2026-12-24T00:00:00Z")
    overhead = float(OBSERVER.local_sidereal_deg(full))
    assert sky_brightness_mag(OBSERVER, overhead, zenith_dec, full, 21.5) < 19.0
    dusk = posix("2026-12-12T16:34:55Z")  # civil dusk, Sun at -6 degrees
    at_dusk = sky_brightness_mag(OBSERVER, 0.0, 50.0, dusk, 21.5)
    assert at_dusk == pytest.approx(float(twilight_sky_mag(-6.0, 21.5)), abs=0.05)


def test_sky_brightness_broadcasts():
    times = posix("2026-12-20T22:00:00Z") + np.arange(4) * 3600.0
    found = sky_brightness_mag(OBSERVER, np.array([[10.0], [83.0]]), 20.0, times, 21.0)
    assert found.shape == (2, 4)
    assert np.isfinite(found).all()
