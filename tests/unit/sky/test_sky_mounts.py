"""Kinds of mount: what each answers about limits, sides and flips."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.sky import (
    Fixed,
    Horizon,
    LimitCheck,
    MountLimits,
    Observer,
    Place,
    seconds_until_breach,
    time_at_hour_angle,
)
from midwatch.sky.mounts import GEOMETRIES, Direction, ForkEquatorial, declared_geometry
from midwatch.sky.mounts.german import GermanEquatorial

GERMAN = GermanEquatorial(5.0, 2.5, 0.75)
FORK = ForkEquatorial(hour_angle_deg=90.0, pole_distance_deg=10.0)
OBSERVER = Observer(Place(46.2, 13.4, 500.0))
NIGHT = 1_804_708_800.0  # 2027-03-10 20:00 UTC
HIGH = (120.0, 40.0)


def at(ha_deg: float, dec_deg: float = 20.0) -> Direction:
    return Direction(ha_deg, dec_deg, 50.0, 180.0)


class Sidereal:
    """A target whose hour angle was zero at second 0, by arithmetic alone."""

    rate = 15.0 / 3600.0

    def hour_angle_deg(self, at_s: float) -> float:
        return (at_s * self.rate + 180.0) % 360.0 - 180.0

    def next_at_hour_angle_s(self, ha_deg: float, after_s: float) -> float:
        return after_s + ((ha_deg - self.hour_angle_deg(after_s)) % 360.0) / self.rate


# Limits -----------------------------------------------------------------------------------------


@given(st.floats(-180, 180), st.sampled_from(["west", "east", "unknown"]))
def test_a_german_mount_is_bound_by_the_meridian_on_its_side(ha, side):
    seen = GERMAN.overstep(at(ha), side)
    west, east = side == "west" and 5.0 < ha < 180.0, side == "east" and ha < -2.5
    assert (seen is not None) == (west or east)
    assert seen is None or f"{side} of the pier" in seen


@given(st.floats(-180, 180), st.floats(-90, 90), st.sampled_from(["west", "east", "unknown"]))
def test_a_fork_is_bound_by_its_cables_and_its_base_whatever_side_is_reported(ha, dec, side):
    seen = FORK.overstep(at(ha, dec), side)
    assert (seen is not None) == (abs(ha) > 90.0 or abs(dec) > 80.0)
    assert seen is None or "pier" not in seen


def test_a_fork_says_which_of_its_limits_it_is():
    assert "cables" in str(FORK.overstep(at(100.0), "unknown"))
    assert "base of the fork" in str(FORK.overstep(at(10.0, 85.0), "unknown"))


def test_what_is_not_known_of_a_direction_is_not_judged():
    there = Direction(95.0, math.nan, 30.0, math.nan)
    assert "hour angle" in str(FORK.overstep(there, "unknown"))
    assert FORK.overstep(there._replace(ha_deg=85.0), "unknown") is None


@pytest.mark.parametrize("mount", [GERMAN, FORK], ids=lambda mount: mount.name)
@given(ha=st.floats(-179, 179), dec=st.floats(-90, 90), by=st.floats(0.01, 2.0))
def test_drawn_in_is_stricter_everywhere(mount, ha, dec, by):
    for side in mount.sides:
        if mount.drawn_in(by).overstep(at(ha, dec), side) is None:
            assert mount.overstep(at(ha, dec), side) is None
        if mount.overstep(at(ha, dec), side) is None:
            assert mount.drawn_in(-by).overstep(at(ha, dec), side) is None


@given(st.floats(-179.9, 180))
def test_a_german_mount_reaches_every_hour_angle_from_one_side_or_the_other(ha):
    assert GERMAN.reaches(at(ha))


def test_arrays_are_judged_as_single_directions_are():
    ha, dec = np.array([-95.0, -10.0, 3.0, 91.0, 180.0]), np.array([0.0, 85.0, 20.0, 20.0, 0.0])
    many = Direction(ha, dec, ha, ha)
    for mount in (GERMAN, FORK):
        for side in ("west", "east", "unknown"):
            each = [
                float(mount.excess_deg(at(float(h), float(d)), side))
                for h, d in zip(ha, dec, strict=True)
            ]
            assert np.asarray(mount.excess_deg(many, side)).tolist() == each
        each_reached = [bool(mount.reaches(at(float(h), float(d)))) for h, d in zip(ha, dec, strict=True)]  # fmt: skip  # noqa: E501
        assert mount.reaches(many).tolist() == each_reached


@pytest.mark.parametrize(
    "wrong", [{"hour_angle_deg": 180.0}, {"hour_angle_deg": 0.0}, {"pole_distance_deg": -1.0}]
)
def test_forks_that_cannot_be(wrong):
    with pytest.raises(ValueError, match="is not"):
        ForkEquatorial(**wrong)


def test_the_check_of_limits_asks_the_mount():
    fork = MountLimits(Horizon.flat(-90.0), -90.0, FORK, sun_min_sep_deg=0.0)
    german = MountLimits(Horizon.flat(-90.0), -90.0, GERMAN, sun_min_sep_deg=0.0)
    past = time_at_hour_angle(OBSERVER, Fixed(*HIGH), 20.0, NIGHT)
    wound_up = time_at_hour_angle(OBSERVER, Fixed(*HIGH), 90.5, NIGHT)
    assert LimitCheck(OBSERVER, fork).breach(*HIGH, past, "west") is None
    found = LimitCheck(OBSERVER, german).breach(*HIGH, past, "west")
    assert found is not None and found.kind == "meridian"
    found = LimitCheck(OBSERVER, fork).breach(*HIGH, wound_up, "unknown")
    assert found is not None and found.kind == "axes"
    # Declination of date is within 0.3 deg of that of the catalogue in 2027.
    found = LimitCheck(OBSERVER, fork).breach(HIGH[0], 80.5, past, "unknown")
    assert found is not None and "pole" in found.message


def test_a_fork_may_track_until_its_cables_end():
    limits = MountLimits(Horizon.flat(-90.0), -90.0, FORK, sun_min_sep_deg=0.0)
    begun = time_at_hour_angle(OBSERVER, Fixed(*HIGH), -10.0, NIGHT)
    left_s = seconds_until_breach(OBSERVER, limits, *HIGH, begun, "unknown")
    # From -10 to 90 degrees at 15.04107 degrees an hour.
    assert left_s == pytest.approx(100.0 / 15.04107 * 3600.0, abs=2.0)


# Sides and flips --------------------------------------------------------------------------------


@given(st.floats(-40_000, 40_000))
def test_a_fork_has_no_side_and_no_flip_at_any_hour(now):
    course = Sidereal()
    assert not FORK.sided
    assert FORK.arrival_side(course, now) is None
    assert FORK.side("west") == FORK.natural_side(-10.0) == "unknown"
    assert FORK.turnover(course, "unknown", now) is None
    assert FORK.either_side(course, now)
    assert not FORK.arrived_wrong("west", "east")
    assert (FORK.flips_to, FORK.flip_from_ha_deg, FORK.axis_ends()) == (None, None, None)
    assert (FORK.header_side("east"), FORK.side_words("east")) == (None, "")


@given(st.floats(-40_000, 40_000))
def test_a_fork_tracks_until_the_hour_angle_that_its_cables_allow(now):
    course = Sidereal()
    limit_s = FORK.limit_s(course, "unknown", now)
    if course.hour_angle_deg(now) >= 90.0:
        assert limit_s == now
    else:
        assert limit_s > now
        assert course.hour_angle_deg(limit_s) == pytest.approx(90.0)


@given(st.floats(-40_000, 40_000))
def test_a_german_mount_flips_between_its_earliest_flip_and_its_limit(now):
    course = Sidereal()
    ahead = GERMAN.turnover(course, "west", now)
    assert ahead is not None and ahead.side == GERMAN.flips_to == "east" and ahead.from_s >= now
    assert GERMAN.turnover(course, "east", now) is None
    if course.hour_angle_deg(now) < 0.75:
        assert course.hour_angle_deg(ahead.from_s) == pytest.approx(0.75)
        assert ahead.from_s < GERMAN.limit_s(course, "west", now)
    else:
        assert ahead.from_s == now


def test_a_flip_turns_camera_and_calibration_on_a_german_mount_alone():
    assert [GERMAN.camera_turn_deg(side) for side in ("west", "east")] == [0.0, 180.0]
    assert [FORK.camera_turn_deg(side) for side in ("unknown", "east")] == [0.0, 0.0]
    assert [GERMAN.calibration_side(side) for side in ("west", "unknown")] == ["west", "unknown"]
    assert [FORK.calibration_side(side) for side in ("west", "unknown")] == ["none", "none"]


def test_what_a_mount_reports_may_contradict_what_it_is_declared_to_be():
    assert GERMAN.contradiction("west") is None
    assert FORK.contradiction("unknown") is None
    assert "fork mount" in str(FORK.contradiction("west"))


# Declared ---------------------------------------------------------------------------------------


def test_minutes_of_hour_angle_become_degrees():
    # 24 h of hour angle are 360 deg.
    limits = {"past_meridian_min": 20.0, "before_meridian_min": 10.0, "flip_after_min": 3.0}
    assert declared_geometry("german", limits) == GERMAN
    fork = declared_geometry("fork", {"hour_angle_min": 360.0, "pole_distance_deg": 10.0, **limits})
    assert fork == FORK
    assert set(GEOMETRIES) == {"german", "fork"}
