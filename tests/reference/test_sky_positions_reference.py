"""Directions of stars, Sun and Moon against libraries and published examples."""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from midwatch.sky import (
    Fixed,
    Observer,
    Place,
    moon_altaz,
    moon_separation_deg,
    separation_deg,
    sun_altaz,
    time_at_hour_angle,
    transit_utc_s,
)
from midwatch.sky.ephemeris import earth_at, moon_geocentric, sun_geocentric
from midwatch.sky.sun_moon import (
    moon_distance_km,
    moon_illumination,
    moon_phase_angle_deg,
    moon_radec,
    sun_radec,
)
from midwatch.sky.vectors import Vector, spherical_deg
from support.sky_truth import observer_of, posix, recorded, skyfield_sky

# Recorded with skyfield 1.55 and JPL DE421; PyEphem 4.2.1 and erfa agree to the last digit or two.
POSITIONS = recorded("sky_positions.json")
TT_MINUS_UTC_EARLY_1992_S = 58.184  # TAI - UTC was 26 s until July (IERS)
TT_MINUS_UTC_LATE_1992_S = 59.184  # 27 s from July


def ids(rows: list[dict]) -> list[str]:
    return [f"{row['target']} {row['site']['name']}" for row in rows]


@pytest.mark.parametrize("row", POSITIONS["stars"], ids=ids(POSITIONS["stars"]))
def test_star_directions_agree_with_skyfield(row):
    observer, utc_s = observer_of(row["site"]), posix(row["utc"])
    at = observer.altaz(row["ra_deg"], row["dec_deg"], utc_s)
    assert at.alt_deg == pytest.approx(row["alt_deg"], abs=0.003)
    assert at.az_deg == pytest.approx(row["az_deg"], abs=0.005)
    ha_h = observer.hour_angle_deg(row["ra_deg"], row["dec_deg"], utc_s) / 15.0
    assert ha_h == pytest.approx(row["ha_h"], abs=0.0003)
    angle = observer.parallactic_deg(row["ra_deg"], row["dec_deg"], utc_s)
    assert angle == pytest.approx(row["parallactic_deg"], abs=0.02)


@pytest.mark.parametrize("row", POSITIONS["transits"], ids=ids(POSITIONS["transits"]))
def test_transits_agree_with_skyfield(row):
    observer = observer_of(row["site"])
    transit = transit_utc_s(observer, Fixed(row["ra_deg"], row["dec_deg"]), posix(row["after"]))
    assert transit == pytest.approx(posix(row["transit"]), abs=1.0)
    alt = observer.altaz(row["ra_deg"], row["dec_deg"], transit).alt_deg
    assert alt == pytest.approx(row["alt_deg"], abs=0.002)


@pytest.mark.parametrize("row", POSITIONS["moon"], ids=ids(POSITIONS["moon"]))
def test_moon_directions_and_separations_agree_with_skyfield(row):
    observer, utc_s = observer_of(row["site"]), posix(row["utc"])
    moon = moon_altaz(observer, utc_s)
    assert moon.alt_deg == pytest.approx(row["moon_alt_deg"], abs=0.01)
    assert moon.az_deg == pytest.approx(row["moon_az_deg"], abs=0.015)
    apart = moon_separation_deg(observer, row["ra_deg"], row["dec_deg"], utc_s)
    assert apart == pytest.approx(row["separation_deg"], abs=0.01)


@pytest.mark.parametrize(("utc", "fraction"), POSITIONS["moon_illumination"])
def test_lit_fraction_agrees_with_skyfield(utc, fraction):
    assert moon_illumination(posix(utc)) == pytest.approx(fraction, abs=0.0002)


def test_hour_angles_of_a_flip_come_after_the_transit():
    # Transit from skyfield 1.55 with DE421, and 5 to 15 sidereal minutes of 0.99727 minutes.
    observer = Observer(Place(51.75, -1.25, 100.0))
    motion, evening = Fixed(83.822085, -5.39111), posix("2026-12-12T22:00:00Z")
    first, last = (time_at_hour_angle(observer, motion, ha, evening) for ha in (1.25, 3.75))
    assert first == pytest.approx(posix("2026-12-13T00:19:48Z"), abs=1.0)
    assert last == pytest.approx(posix("2026-12-13T00:29:46Z"), abs=1.0)


@pytest.mark.parametrize(
    ("longitude_deg", "utc", "hours"),
    [(-1.25, "2026-12-12T22:00:00Z", 3.35770), (149.07, "2027-06-21T12:00:00Z", 15.90228)],
)
def test_sidereal_time_agrees_with_skyfield(longitude_deg, utc, hours):
    # skyfield 1.55; its built-in forecast of UT1 - UTC is 0.2 s off the IERS table of late 2026.
    sidereal = Observer(Place(50.0, longitude_deg)).local_sidereal_deg(posix(utc)) / 15.0
    assert sidereal == pytest.approx(hours, abs=0.0001)


def test_apparent_sidereal_time_of_a_published_example():
    # Meeus, Astronomical Algorithms 2nd ed., example 12.a (1987 April 10, 0h UT1), recalled from
    # memory and recomputed with erfa: 13h10m46.1351s.
    midnight = posix("1987-04-10T00:00:00Z")
    at = midnight - float(skyfield_sky().time(midnight).dut1)
    hours = Observer(Place(0.0, 0.0)).local_sidereal_deg(at) / 15.0
    assert (hours - (13 + 10 / 60)) * 3600.0 == pytest.approx(46.1351, abs=0.02)


def test_venus_of_a_published_example():
    # Meeus 2nd ed., example 13.b (apparent place of Venus, Washington), from memory, and erfa
    # hd2ae: altitude 15.1249, azimuth 248.0337 from north. The direction is put in as an
    # apparent place, so it goes through the step after the apparent place only.
    observer = Observer(Place(38.0 + 55 / 60 + 17 / 3600, -(77.0 + 3 / 60 + 56 / 3600)))
    earth = earth_at(posix("1987-04-10T19:21:00Z"))
    ra, dec = 15 * (23 + 9 / 60 + 16.641 / 3600), -(6 + 43 / 60 + 11.61 / 3600)
    x, y, z = erfa.s2c(np.radians(ra), np.radians(dec))
    at = observer.altaz_of(observer.meridian_vector(Vector(x, y, z), earth))
    assert at.alt_deg == pytest.approx(15.1249, abs=0.002)  # UT1 against UTC moves it 0.001
    assert at.az_deg == pytest.approx(248.0337, abs=0.003)


def test_sun_of_a_published_example():
    # Meeus 2nd ed., example 25.b, 1992 October 13.0 TT: apparent right ascension 13h13m30.75s,
    # declination -7d47m01.7s; from memory, DE421 agrees within 0.3 arcsec.
    ra, dec = sun_radec(None, posix("1992-10-13T00:00:00Z") - TT_MINUS_UTC_LATE_1992_S)
    assert ra == pytest.approx(15 * (13 + 13 / 60 + 30.75 / 3600), abs=1 / 3600)
    assert dec == pytest.approx(-(7 + 47 / 60 + 1.7 / 3600), abs=1 / 3600)


def test_moon_of_a_published_example():
    # Meeus 2nd ed., example 47.a and 48.a, 1992 April 12.0 TT, from memory; DE421 agrees within
    # 2 arcsec and 4 km.
    utc_s = posix("1992-04-12T00:00:00Z") - TT_MINUS_UTC_EARLY_1992_S
    ra, dec = moon_radec(None, utc_s)
    assert ra == pytest.approx(134.688470, abs=10 / 3600)
    assert dec == pytest.approx(13.768368, abs=10 / 3600)
    assert moon_distance_km(utc_s) == pytest.approx(368409.7, abs=10.0)
    assert moon_illumination(utc_s) == pytest.approx(0.6786, abs=0.0002)
    assert moon_phase_angle_deg(utc_s) == pytest.approx(69.0756, abs=0.01)


def test_apparent_place_of_a_star_agrees_with_skyfield():
    # M31 on 2026-12-12 at 22h UTC, skyfield 1.55 with DE421: 0.737218 h, +41.42177 deg.
    earth = earth_at(posix("2026-12-12T22:00:00Z"))
    x, y, z = erfa.s2c(np.radians(15 * 0.712306), np.radians(41.26917))
    ra, dec = spherical_deg(earth.of_date(earth.aberrated(Vector(x, y, z))))
    assert ra / 15 == pytest.approx(0.737218, abs=2e-6)
    assert dec == pytest.approx(41.42177, abs=2e-5)


def test_stars_agree_with_skyfield_at_random_sites_dates_and_directions():
    sky, random = skyfield_sky(), np.random.default_rng(20261212)
    for _ in range(25):
        place = Place(random.uniform(-89, 89), random.uniform(-180, 180), random.uniform(0, 3000))
        utc_s = random.uniform(posix("2020-01-01T00:00:00Z"), posix("2026-10-01T00:00:00Z"))
        ra, dec = random.uniform(0, 360), np.degrees(np.arcsin(random.uniform(-1, 1)))
        alt, az = sky.altaz(place, sky.star(ra, dec), utc_s)
        ours = Observer(place).altaz(ra, dec, utc_s)
        # 2 arcsec on the sky: light bending near the Sun, polar motion, tables of other dates.
        assert separation_deg(ours.az_deg, ours.alt_deg, az, alt) < 2.0 / 3600.0


def test_sun_and_moon_agree_with_skyfield_at_random_sites_and_dates():
    sky, random = skyfield_sky(), np.random.default_rng(7)
    for _ in range(25):
        place = Place(random.uniform(-89, 89), random.uniform(-180, 180), random.uniform(0, 3000))
        utc_s = random.uniform(posix("2015-01-01T00:00:00Z"), posix("2035-01-01T00:00:00Z"))
        observer = Observer(place)
        for body, ours, limit_arcsec in (
            (sky.sun, sun_altaz(observer, utc_s), 15.0),  # 1 s of UT1 forecast is 15 arcsec
            (sky.moon, moon_altaz(observer, utc_s), 30.0),
        ):
            alt, az = sky.altaz(place, body, utc_s)
            assert separation_deg(ours.az_deg, ours.alt_deg, az, alt) < limit_arcsec / 3600.0


def test_sun_and_moon_agree_with_pyephem():
    import ephem

    observer = Observer(Place(-33.0, 18.5, 400.0))
    theirs = ephem.Observer()
    theirs.lat, theirs.lon, theirs.elevation, theirs.pressure = "-33.0", "18.5", 400.0, 0
    for utc in ("2024/3/20 18:00:00", "2026/7/1 03:30:00", "2026/12/12 22:00:00"):
        theirs.date = ephem.Date(utc)
        utc_s = posix(theirs.date.datetime().isoformat() + "Z")
        for body, ours in (
            (ephem.Sun(theirs), sun_altaz(observer, utc_s)),
            (ephem.Moon(theirs), moon_altaz(observer, utc_s)),
        ):
            assert ours.alt_deg == pytest.approx(np.degrees(body.alt), abs=0.006)
            away = np.cos(np.radians(ours.alt_deg)) * (ours.az_deg - np.degrees(body.az))
            assert abs(away) < 0.006


def test_stars_agree_with_erfa_given_the_same_earth_rotation():
    # erfa atco13, without refraction or polar motion, fed with the same UT1 - UTC: what is left
    # is light bending and our first node-to-node interpolation, well under 0.1 arcsec.
    from midwatch.sky.earth_rotation import POSIX_EPOCH_MJD, tai_minus_utc_s, ut1_minus_tai_s

    random = np.random.default_rng(3)
    utc_s = random.uniform(posix("2018-01-01T00:00:00Z"), posix("2026-09-01T00:00:00Z"), 40)
    mjd = utc_s / 86400.0 + POSIX_EPOCH_MJD
    dut1 = ut1_minus_tai_s(mjd) + tai_minus_utc_s(mjd)
    ra, dec = random.uniform(0, 360, 40), random.uniform(-80, 80, 40)
    place = Place(28.76, -17.88, 2200.0)
    az, zenith, *_ = erfa.atco13(
        *np.radians([ra, dec]), 0, 0, 0, 0, 2400000.5, mjd, dut1,
        *np.radians([place.longitude_deg, place.latitude_deg]), 2200.0, 0, 0, 0, 0, 0, 0.55,
    )  # fmt: skip
    ours = Observer(place).altaz(ra, dec, utc_s)
    apart = separation_deg(ours.az_deg, ours.alt_deg, np.degrees(az), 90 - np.degrees(zenith))
    assert np.max(apart) < 0.1 / 3600.0


def test_interpolated_sun_and_moon_agree_with_the_series_they_stand_for():
    # erfa epv00 and moon98 themselves, away from the two-hourly nodes.
    utc_s = posix("2026-12-12T00:00:00Z") + np.array([1234.0, 3600.0, 40000.0, 86399.0])
    tt_mjd = (utc_s + 37.0 + 32.184) / 86400.0 + 40587.0
    heliocentric, barycentric = erfa.epv00(2400000.5, tt_mjd)
    sun = erfa.ab(
        -heliocentric["p"] / np.linalg.norm(heliocentric["p"], axis=-1)[:, None],
        barycentric["v"] * erfa.DAU / erfa.CMPS / 86400.0,
        np.linalg.norm(heliocentric["p"], axis=-1),
        np.sqrt(1 - np.sum((barycentric["v"] * erfa.DAU / erfa.CMPS / 86400.0) ** 2, axis=-1)),
    )
    ours = np.stack(sun_geocentric(utc_s))
    ours /= np.linalg.norm(ours, axis=0)
    assert np.max(np.abs(ours - sun.T)) < 0.01 * erfa.DAS2R
    moon = erfa.moon98(2400000.5, tt_mjd)
    light_days = np.linalg.norm(moon["p"], axis=-1) * erfa.DAU / erfa.CMPS / 86400.0
    seen = (moon["p"] - moon["v"] * light_days[:, None]).T
    assert np.max(np.abs(np.stack(moon_geocentric(utc_s)) - seen)) < 5e-3 / 1.5e8  # five metres


def test_hour_angles_are_reached_when_they_are_said_to_be():
    observer = Observer(Place(-31.27, 149.07, 500.0))
    near = posix("2027-06-21T12:00:00Z")
    for ha in (-170.0, -30.0, 0.0, 4.5, 90.0, 180.0):
        at = time_at_hour_angle(observer, Fixed(271.0, -24.4), ha, near)
        off = observer.hour_angle_deg(271.0, -24.4, at) - ha
        assert abs((off + 180.0) % 360.0 - 180.0) < 1e-5
        assert abs(at - near) <= 43100.0
