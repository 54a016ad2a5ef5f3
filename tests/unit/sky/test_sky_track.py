from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.sky import (
    Fixed,
    Horizon,
    Observer,
    Place,
    Window,
    airmass,
    moon_altaz,
    moon_separation_deg,
    refraction_from_true_deg,
    time_at_hour_angle,
    track,
    transit_utc_s,
    visible_windows,
)
from midwatch.sky.tracks import windows_where
from support.sky_truth import posix

OBSERVER = Observer(Place(51.75, -1.25, 100.0))
DUSK, DAWN = posix("2026-12-12T17:59:06Z"), posix("2026-12-13T05:58:56Z")
ORION = (83.822085, -5.39111)
GARDEN = Horizon.from_pairs([(0, 20), (90, 35), (135, 15), (180, 12), (225, 30), (300, 40)])
SEASONS = st.floats(posix("2024-01-01T00:00:00Z"), posix("2032-01-01T00:00:00Z"))


def test_track_is_what_its_parts_are():
    times = np.linspace(DUSK, DAWN, 50)
    path = track(OBSERVER, Fixed(*ORION), times, GARDEN)
    alt, az = OBSERVER.altaz(*ORION, times)
    assert path.alt_deg.tolist() == alt.tolist()
    assert path.az_deg.tolist() == az.tolist()
    assert path.ha_deg.tolist() == OBSERVER.hour_angle_deg(*ORION, times).tolist()
    assert path.margin_deg == pytest.approx(alt - GARDEN.altitude_deg(az))
    assert path.moon_sep_deg == pytest.approx(moon_separation_deg(OBSERVER, *ORION, times))
    pressure = OBSERVER.place.air_pressure_hpa
    seen = alt + refraction_from_true_deg(alt, pressure, 10.0)
    assert path.airmass == pytest.approx(airmass(seen))
    assert np.isinf(path.airmass[seen < 0]).all()
    assert (path.airmass[seen >= 0] >= 1.0).all()


@settings(max_examples=20)
@given(st.floats(0, 360), st.floats(-60, 90), SEASONS)
def test_windows_agree_with_a_look_at_every_ten_seconds(ra, dec, start):
    end = start + 6 * 3600.0
    windows = visible_windows(OBSERVER, Fixed(ra, dec), start, end, GARDEN, 15.0)
    times = np.arange(start, end, 10.0)
    alt, az = OBSERVER.altaz(ra, dec, times)
    seen = alt >= np.maximum(GARDEN.altitude_deg(az), 15.0)
    inside = np.zeros(times.shape, dtype=bool)
    for window in windows:
        inside |= (times >= window.start_utc_s) & (times <= window.end_utc_s)
    assert not np.any(inside & ~seen)
    # What is missed is the last second before an edge, or less than a sampling step.
    assert np.count_nonzero(seen & ~inside) <= 2 * len(windows) + 6


def test_window_edges_are_good_to_a_second_and_lie_inside():
    (window,) = visible_windows(OBSERVER, Fixed(*ORION), DUSK, DAWN, GARDEN, 0.0)
    for edge, outwards in ((window.start_utc_s, -1.0), (window.end_utc_s, 1.0)):
        margin = track(
            OBSERVER, Fixed(*ORION), np.array([edge, edge + outwards]), GARDEN
        ).margin_deg
        assert margin[0] >= 0.0
        assert margin[1] < 0.0


def test_coarser_steps_find_the_same_edges():
    fine = visible_windows(OBSERVER, Fixed(*ORION), DUSK, DAWN, GARDEN, 0.0)
    coarse = visible_windows(OBSERVER, Fixed(*ORION), DUSK, DAWN, GARDEN, 0.0, step_s=600.0)
    assert [w.start_utc_s for w in coarse] == pytest.approx([w.start_utc_s for w in fine], abs=1.0)
    assert [w.end_utc_s for w in coarse] == pytest.approx([w.end_utc_s for w in fine], abs=1.0)


def test_no_window_for_what_never_rises_and_all_night_for_what_never_sets():
    assert visible_windows(OBSERVER, Fixed(80.0, -70.0), DUSK, DAWN, Horizon.flat(0.0), 0.0) == []
    (all_night,) = visible_windows(
        OBSERVER, Fixed(37.95, 89.26), DUSK, DAWN, Horizon.flat(0.0), 30.0
    )
    assert all_night == Window(DUSK, DAWN)


@pytest.mark.parametrize("end", [DUSK, DUSK - 10.0, math.nan])
def test_no_time_holds_no_window(end):
    assert visible_windows(OBSERVER, Fixed(37.95, 89.26), DUSK, end, Horizon.flat(0.0), 0.0) == []


def test_the_moon_keeps_targets_away_only_while_it_is_up():
    start, end = posix("2026-12-18T16:00:00Z"), posix("2026-12-19T08:00:00Z")
    pleiades = (56.75, 24.1167)  # about 44 degrees from a Moon of two thirds
    free = visible_windows(OBSERVER, Fixed(*pleiades), start, end, Horizon.flat(0.0), 20.0)
    kept = visible_windows(OBSERVER, Fixed(*pleiades), start, end, Horizon.flat(0.0), 20.0, 60.0)
    near = visible_windows(OBSERVER, Fixed(*pleiades), start, end, Horizon.flat(0.0), 20.0, 20.0)
    assert near == free
    assert 0.0 < sum(w.duration_s for w in kept) < sum(w.duration_s for w in free)
    for window in kept:
        middle = 0.5 * (window.start_utc_s + window.end_utc_s)
        assert moon_altaz(OBSERVER, middle).alt_deg < 0.0


def test_windows_of_any_condition():
    windows = windows_where(lambda t: np.sin(t / 100.0) > 0.0, 50.0, 1000.0, 10.0, 0.01)
    edges = [(w.start_utc_s, w.end_utc_s) for w in windows]
    turn = 100.0 * math.pi
    assert edges == [
        (50.0, pytest.approx(turn, abs=0.01)),
        (pytest.approx(2 * turn, abs=0.01), pytest.approx(3 * turn, abs=0.01)),
    ]


def test_windows_overlap_and_contain():
    a, b = Window(0.0, 10.0), Window(5.0, 20.0)
    assert a.overlap(b) == b.overlap(a) == Window(5.0, 10.0)
    assert a.overlap(Window(10.0, 20.0)) is None
    assert a.contains(10.0)
    assert not a.contains(10.1)
    assert a.duration_s == 10.0
    assert sorted([b, a]) == [a, b]


@settings(max_examples=30)
@given(st.floats(0, 360), st.floats(-85, 85), SEASONS)
def test_the_next_transit_is_next(ra, dec, after):
    transit = transit_utc_s(OBSERVER, Fixed(ra, dec), after)
    assert -0.01 <= transit - after <= 86165.0
    assert OBSERVER.hour_angle_deg(ra, dec, transit) == pytest.approx(0.0, abs=1e-5)


@settings(max_examples=30)
@given(st.floats(0, 360), st.floats(-85, 85), st.floats(-180, 180), SEASONS)
def test_a_time_of_an_hour_angle_is_the_nearest(ra, dec, ha, near):
    at = time_at_hour_angle(OBSERVER, Fixed(ra, dec), ha, near)
    off = float(OBSERVER.hour_angle_deg(ra, dec, at)) - ha
    assert abs((off + 180.0) % 360.0 - 180.0) < 1e-5
    assert abs(at - near) < 43083.0
