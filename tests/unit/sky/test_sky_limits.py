from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.sky import (
    Fixed,
    Horizon,
    LimitCheck,
    MountLimits,
    Observer,
    Place,
    seconds_until_breach,
    slew_path_clear_of_sun,
    sun_altaz,
    sun_separation_deg,
    time_at_hour_angle,
)
from midwatch.sky.limits import breach
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch.sky.sun_moon import sun_radec
from support.sky_truth import posix

OBSERVER = Observer(Place(51.75, -1.25, 100.0))
SOUTH = Observer(Place(-31.27, 149.07, 500.0))
NIGHT = posix("2026-12-12T22:00:00Z")
NOON = posix("2027-06-21T12:00:00Z")
ORION = (83.822085, -5.39111)
GARDEN = Horizon.from_pairs([(0, 20), (90, 35), (135, 15), (180, 12), (225, 30), (300, 40)])
LIMITS = MountLimits(GARDEN, 15.0, geometry=GermanEquatorial(5.0, 2.0))
OPEN = MountLimits(Horizon.flat(-90.0), -90.0, geometry=GermanEquatorial(5.0, 2.0))


def at_hour_angle(observer: Observer, ha_deg: float, target: tuple[float, float] = ORION) -> float:
    return time_at_hour_angle(observer, Fixed(*target), ha_deg, NIGHT)


def kind(observer, limits, target, utc_s, side):
    found = breach(observer, limits, *target, utc_s, side)
    return None if found is None else found.kind


def test_message_says_by_how_much():
    early = posix("2026-12-12T20:00:00Z")
    found = breach(OBSERVER, LIMITS, *ORION, early, "west")
    assert found is not None
    assert found.kind == "horizon"
    alt, az = OBSERVER.altaz(*ORION, early)
    assert f"altitude {alt:.2f} deg" in found.message
    assert f"{float(GARDEN.altitude_deg(az)):.2f} deg" in found.message
    assert f"azimuth {az:.1f} deg" in found.message


def test_the_floor_counts_where_the_horizon_is_lower():
    floor = MountLimits(Horizon.flat(0.0), 27.0, geometry=GermanEquatorial(5.0))
    assert OBSERVER.altaz(*ORION, NIGHT).alt_deg == pytest.approx(26.02, abs=0.01)
    assert kind(OBSERVER, floor, ORION, NIGHT, "west") == "horizon"
    assert kind(OBSERVER, LIMITS, ORION, NIGHT, "west") is None


@pytest.mark.parametrize(
    ("ha_deg", "side", "expected"),
    [
        (-60.0, "west", None),
        (4.9, "west", None),
        (5.1, "west", "meridian"),
        (90.0, "west", "meridian"),
        (150.0, "west", "meridian"),
        (-170.0, "west", None),
        (60.0, "east", None),
        (-1.9, "east", None),
        (-2.1, "east", "meridian"),
        (-90.0, "east", "meridian"),
        (-170.0, "east", "meridian"),
        (170.0, "east", None),
        (90.0, "unknown", None),
        (-90.0, "unknown", None),
    ],
)
@pytest.mark.parametrize("observer", [OBSERVER, SOUTH], ids=["north", "south"])
def test_meridian_limit_by_side(observer, ha_deg, side, expected):
    at = at_hour_angle(observer, ha_deg)
    limits = MountLimits(
        Horizon.flat(-90.0), -90.0, geometry=GermanEquatorial(5.0, 2.0),
        sun_min_sep_deg=0.0,
    )  # fmt: skip
    assert kind(observer, limits, ORION, at, side) == expected


def test_under_the_pole_is_allowed():
    polar = (37.95, 75.0)
    below_pole = at_hour_angle(OBSERVER, -175.0, polar)
    limits = MountLimits(Horizon.flat(10.0), 10.0, geometry=GermanEquatorial(5.0))
    assert kind(OBSERVER, limits, polar, below_pole, "west") is None


def test_the_sun_keeps_away_by_day_only():
    ra, dec = sun_radec(OBSERVER, NOON)
    near = (float(ra) + 20.0, float(dec))
    assert kind(OBSERVER, OPEN, near, NOON, "unknown") == "sun"
    assert kind(OBSERVER, OPEN, (float(ra) + 40.0, float(dec)), NOON, "unknown") is None
    midnight = posix("2026-12-13T00:00:00Z")
    ra, dec = sun_radec(OBSERVER, midnight)
    assert kind(OBSERVER, OPEN, (float(ra), float(dec)), midnight, "unknown") is None


def test_sun_message_says_how_near():
    ra, dec = sun_radec(OBSERVER, NOON)
    found = breach(OBSERVER, OPEN, float(ra) + 20.0, float(dec), NOON, "unknown")
    apart = sun_separation_deg(OBSERVER, float(ra) + 20.0, float(dec), NOON)
    assert found is not None
    assert f"{apart:.1f} deg from the Sun" in found.message
    assert f"{sun_altaz(OBSERVER, NOON).alt_deg:.1f} deg" in found.message


def test_a_pointing_that_is_not_a_number_is_a_breach():
    for pointing in ((math.nan, 0.0), (0.0, math.inf)):
        assert kind(OBSERVER, LIMITS, pointing, NIGHT, "west") == "horizon"
    for ra, dec, utc_s in ((math.nan, 0.0, NIGHT), (0.0, math.inf, NIGHT), (0.0, 0.0, math.nan)):
        assert seconds_until_breach(OBSERVER, LIMITS, ra, dec, utc_s, "west") == 0.0


def test_answers_do_not_depend_on_what_was_asked_before():
    check = LimitCheck(OBSERVER, LIMITS)
    times = NIGHT + np.arange(-30, 30) * 700.0
    forwards = [check.breach(*ORION, t, "west") for t in times.tolist()]
    backwards = [check.breach(*ORION, t, "west") for t in times[::-1].tolist()]
    assert forwards == backwards[::-1]
    assert any(forwards)
    assert not all(forwards)


@settings(max_examples=60)
@given(
    st.floats(0, 360),
    st.floats(-85, 85),
    st.floats(posix("2024-01-01T00:00:00Z"), posix("2032-01-01T00:00:00Z")),
    st.sampled_from(["west", "east"]),
)
def test_the_time_left_ends_with_a_breach(ra, dec, utc_s, side):
    left_s = seconds_until_breach(OBSERVER, LIMITS, ra, dec, utc_s, side, 21600.0)
    check = LimitCheck(OBSERVER, LIMITS)
    # Quick and full directions differ by under an arcsecond: 0.1 s of slow motion in altitude.
    if left_s == math.inf:
        moments = utc_s + np.linspace(0.0, 21600.0, 25)
        assert all(check.breach(ra, dec, t, side) is None for t in moments.tolist())
    elif left_s > 0.0:
        assert check.breach(ra, dec, utc_s + 0.5 * left_s, side) is None
        assert check.breach(ra, dec, utc_s + max(left_s - 30.0, 0.0), side) is None
        assert any(
            check.breach(ra, dec, utc_s + left_s + after_s, side) for after_s in (1.0, 2.0, 20.0)
        )


def test_time_to_the_meridian_limit():
    left_s = seconds_until_breach(OBSERVER, LIMITS, *ORION, NIGHT, "west")
    at_limit = at_hour_angle(OBSERVER, 5.0)
    assert at_limit - 1.0 <= NIGHT + left_s <= at_limit


def test_an_exposure_that_would_pass_the_limit_is_too_long():
    # 300 s begun 3 sidereal minutes before the meridian end 2m01s past it (300 s of clock are
    # 300.82 s of hour angle): too long for a limit of one minute, short enough for 2.1 minutes.
    start = at_hour_angle(OBSERVER, -0.75)
    tight = MountLimits(GARDEN, 10.0, geometry=GermanEquatorial(0.25))
    loose = MountLimits(GARDEN, 10.0, geometry=GermanEquatorial(0.525))
    assert seconds_until_breach(OBSERVER, tight, *ORION, start, "west") < 300.0
    assert seconds_until_breach(OBSERVER, loose, *ORION, start, "west") > 300.0


def test_unknown_side_is_the_side_of_a_fresh_slew():
    east_of_meridian, past = at_hour_angle(OBSERVER, -30.0), at_hour_angle(OBSERVER, 10.0)
    for utc_s, side in ((east_of_meridian, "west"), (past, "east")):
        known = seconds_until_breach(OBSERVER, LIMITS, *ORION, utc_s, side)
        assert 0.0 < known < math.inf
        assert seconds_until_breach(OBSERVER, LIMITS, *ORION, utc_s, "unknown") == known


def test_dawn_ends_what_stands_near_the_sun():
    target = sun_radec(OBSERVER, posix("2027-03-01T06:00:00Z"))
    west_of_sun = (float(target[0]) - 25.0, float(target[1]) + 5.0)
    limits = MountLimits(
        Horizon.flat(-90.0), -90.0, GermanEquatorial(180.0, 180.0), sun_min_sep_deg=40.0
    )
    before_dawn = posix("2027-03-01T04:00:00Z")
    left_s = seconds_until_breach(OBSERVER, limits, *west_of_sun, before_dawn, "west")
    assert 0.0 < left_s < 7200.0
    assert sun_altaz(OBSERVER, before_dawn + left_s).alt_deg == pytest.approx(-18.0, abs=0.01)


def test_slews_past_the_sun():
    ra, dec = (float(angle) for angle in sun_radec(OBSERVER, NOON))
    east, west = (ra + 60.0, dec), (ra - 60.0, dec)
    assert not slew_path_clear_of_sun(OBSERVER, east, west, NOON, 30.0)
    assert not slew_path_clear_of_sun(OBSERVER, west, east, NOON, 30.0)
    assert slew_path_clear_of_sun(OBSERVER, east, (ra + 100.0, dec), NOON, 30.0)
    # Either axis may run first, so a corner of the patch counts as well.
    assert not slew_path_clear_of_sun(OBSERVER, (ra, dec - 50.0), (ra + 60.0, dec), NOON, 30.0)
    # The short way round, across right ascension zero.
    assert slew_path_clear_of_sun(OBSERVER, (ra + 150.0, 0.0), (ra - 150.0, 0.0), NOON, 30.0)


def test_slews_at_night_are_free():
    ra, dec = (float(angle) for angle in sun_radec(OBSERVER, NIGHT))
    assert slew_path_clear_of_sun(OBSERVER, (ra + 60.0, dec), (ra - 60.0, dec), NIGHT, 30.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"min_alt_deg": 90.0},
        {"min_alt_deg": math.nan},
        {"sun_min_sep_deg": -1.0},
    ],
)
def test_limits_that_cannot_be(wrong):
    with pytest.raises(ValueError, match="is not within"):
        MountLimits(Horizon.flat(0.0), **wrong)


@pytest.mark.parametrize("wrong", [{"past_meridian_deg": -1.0}, {"before_meridian_deg": 200.0}])
def test_limits_of_a_german_mount_that_cannot_be(wrong):
    with pytest.raises(ValueError, match="is not within"):
        GermanEquatorial(**wrong)
