from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.sky import (
    Observer,
    Place,
    earth_rotation_known,
    moon_altaz,
    moon_separation_deg,
    separation_deg,
    sun_altaz,
    sun_separation_deg,
)
from support.sky_truth import posix

MIDNIGHT = posix("2026-12-13T00:00:00Z")
TIMES = st.floats(posix("2020-01-01T00:00:00Z"), posix("2035-01-01T00:00:00Z"))
RA = st.floats(0.0, 360.0)
DEC = st.floats(-90.0, 90.0)
PLACES = st.builds(Place, st.floats(-90, 90), st.floats(-180, 180), st.floats(0, 5000))


@given(PLACES, RA, DEC, TIMES)
def test_directions_are_undone(place, ra, dec, utc_s):
    observer = Observer(place)
    back = observer.icrs_from_altaz(*observer.altaz(ra, dec, utc_s), utc_s)
    # 0.3 arcsec of diurnal aberration is undone to first order only.
    assert separation_deg(ra, dec, *back) * 3600.0 < 1e-5


@given(PLACES, RA, DEC, TIMES, st.floats(-7200.0, 7200.0))
def test_quick_directions_agree_with_full_ones(place, ra, dec, utc_s, later_s):
    observer = Observer(place)
    quick = observer.quick(utc_s).altaz_ha(ra, dec, utc_s + later_s)
    alt, az = observer.altaz(ra, dec, utc_s + later_s)
    assert separation_deg(quick.az_deg, quick.alt_deg, az, alt) * 3600.0 < 1.0
    if abs(dec) < 89.0:
        off = quick.ha_deg - observer.hour_angle_deg(ra, dec, utc_s + later_s)
        assert abs((off + 180.0) % 360.0 - 180.0) < 0.005


def test_quick_directions_are_plain_numbers():
    at = Observer(Place(50.0, 10.0)).quick(MIDNIGHT).altaz_ha(10.0, 20.0, MIDNIGHT)
    assert all(type(value) is float for value in at)
    assert 0.0 <= at.az_deg < 360.0
    assert -180.0 < at.ha_deg <= 180.0


def test_shapes_broadcast():
    observer = Observer(Place(50.0, 10.0))
    times = MIDNIGHT + np.arange(5) * 600.0
    ra, dec = np.array([[10.0], [20.0], [30.0]]), np.array([[0.0], [10.0], [-10.0]])
    grid = observer.altaz(ra, dec, times)
    assert grid.alt_deg.shape == grid.az_deg.shape == (3, 5)
    assert observer.hour_angle_deg(ra, dec, times).shape == (3, 5)
    assert observer.parallactic_deg(ra, dec, times).shape == (3, 5)
    assert moon_separation_deg(observer, ra, dec, times).shape == (3, 5)
    assert moon_altaz(observer, times.reshape(5, 1)).alt_deg.shape == (5, 1)
    assert grid.alt_deg[2, 4] == observer.altaz(30.0, -10.0, times[4]).alt_deg


def test_a_value_does_not_depend_on_what_is_asked_next_to_it():
    observer = Observer(Place(-31.0, 149.0))
    times = MIDNIGHT + np.arange(-400, 400) * 3600.0
    together = observer.altaz(83.0, -5.0, times)
    alone = [observer.altaz(83.0, -5.0, t) for t in times[::97]]
    assert together.alt_deg[::97].tolist() == [float(at.alt_deg) for at in alone]
    moon_together = moon_altaz(observer, times).alt_deg
    assert moon_together[::97].tolist() == [float(moon_altaz(observer, t)[0]) for t in times[::97]]


def test_single_directions_can_be_made_plain_floats():
    at = Observer(Place(50.0, 10.0)).altaz(10.0, 20.0, MIDNIGHT)
    assert float(at.alt_deg) == at.alt_deg
    assert np.ndim(at.alt_deg) == 0


def test_at_the_poles_altitude_is_declination():
    for latitude in (90.0, -90.0):
        observer = Observer(Place(latitude, 0.0))
        at = observer.altaz([0.0, 120.0, 240.0], 60.0, MIDNIGHT)
        # Precession and aberration move stars by up to 0.16 degrees since 2000.
        assert at.alt_deg == pytest.approx(np.full(3, np.sign(latitude) * 60.0), abs=0.16)


def test_a_star_culminates_in_the_south_from_the_north_and_north_from_the_south():
    for latitude, azimuth in ((51.0, 180.0), (-31.0, 0.0)):
        observer = Observer(Place(latitude, 0.0))
        on_meridian = float(observer.local_sidereal_deg(MIDNIGHT))
        at = observer.altaz(on_meridian, 0.0, MIDNIGHT)
        away = (float(at.az_deg) - azimuth + 180.0) % 360.0 - 180.0
        assert abs(away) < 1.0
        assert at.alt_deg == pytest.approx(90.0 - abs(latitude), abs=0.2)


def test_hour_angle_grows_westwards():
    observer = Observer(Place(51.0, 0.0))
    ra = float(observer.local_sidereal_deg(MIDNIGHT))
    hour_angle = observer.hour_angle_deg(ra, 0.0, MIDNIGHT + np.array([-3600.0, 3600.0]))
    assert hour_angle[0] < -14.0
    assert hour_angle[1] > 14.0
    assert observer.altaz(ra, 0.0, MIDNIGHT + 3600.0).az_deg > 180.0


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((91.0, 0.0), "latitude 91.0 deg"),
        ((float("nan"), 0.0), "latitude nan deg"),
        ((0.0, 400.0), "longitude 400.0 deg"),
        ((0.0, 0.0, 20000.0), "elevation 20000.0 m"),
    ],
)
def test_places_that_cannot_be(values, message):
    with pytest.raises(ValueError, match=message):
        Place(*values)


def test_air_pressure_follows_elevation_unless_stated():
    # ICAO standard atmosphere tables: 1013.25 hPa at sea level, 898.7 at 1000 m, 795.0 at 2000 m.
    assert Place(0, 0).air_pressure_hpa == pytest.approx(1013.25)
    assert Place(0, 0, 1000.0).air_pressure_hpa == pytest.approx(898.7, abs=0.2)
    assert Place(0, 0, 2000.0).air_pressure_hpa == pytest.approx(795.0, abs=0.2)
    assert Place(0, 0, 2000.0, pressure_hpa=780.0).air_pressure_hpa == 780.0


def test_far_future_has_no_earth_rotation_but_still_directions():
    assert earth_rotation_known(posix("2025-06-01T00:00:00Z"))
    future = posix("2060-06-01T00:00:00Z")
    assert not earth_rotation_known(future)
    assert not earth_rotation_known(posix("1960-01-01T00:00:00Z"))
    at = Observer(Place(50.0, 10.0)).altaz(10.0, 20.0, future)
    assert np.isfinite(at.alt_deg)


def test_leap_second_is_in_the_sidereal_time():
    # Before and after the leap second at the end of 2016 the sky turns on evenly: POSIX time
    # repeats a second there, so one second of it is missing from the difference.
    observer = Observer(Place(0.0, 0.0))
    edge = posix("2017-01-01T00:00:00Z")
    turned = observer.local_sidereal_deg(np.array([edge - 3600.0, edge + 3600.0]))
    elapsed_s = (turned[1] - turned[0]) * 240.0 / 1.00273790935
    assert elapsed_s == pytest.approx(7201.0, abs=0.02)


def test_sun_separation_matches_directions():
    observer = Observer(Place(51.0, 0.0))
    sun = sun_altaz(observer, MIDNIGHT)
    star = observer.altaz(83.0, -5.0, MIDNIGHT)
    assert sun_separation_deg(observer, 83.0, -5.0, MIDNIGHT) == pytest.approx(
        float(separation_deg(sun.az_deg, sun.alt_deg, star.az_deg, star.alt_deg)), abs=1e-9
    )


def test_importing_the_sky_loads_no_heavy_library():
    code = (
        "import sys, midwatch.sky;"
        "print([m for m in ('astropy', 'scipy', 'pydantic', 'asyncio') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
