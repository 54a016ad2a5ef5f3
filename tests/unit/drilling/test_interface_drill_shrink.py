"""Shrinking faults to the least that still breaks a night, against predicates of known cause."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.drilling.shrink import shrink
from midwatch.orders.injected import ScheduledFault


def fault(name: str, at: float = 0.0, lasts: float = 100.0) -> ScheduledFault:
    return ScheduledFault(at, at + lasts, name)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 6), st.data())
def test_only_the_faults_that_matter_are_left(count, data):
    faults = [fault(f"f{i}", float(i), 10.0) for i in range(count)]
    cause = data.draw(st.sets(st.sampled_from(faults), min_size=1))
    asked: list[tuple[ScheduledFault, ...]] = []

    def breaks(tried: tuple[ScheduledFault, ...]) -> bool:
        asked.append(tried)
        return cause <= set(tried)

    assert shrink(faults, breaks) == tuple(sorted(cause))
    assert len(asked) == len(set(asked))  # nothing is rehearsed twice


def test_a_fault_is_halved_as_long_as_the_night_breaks():
    found = shrink([fault("rain", lasts=1000.0)], lambda tried: sum_s(tried) >= 200.0)
    assert [f.until_utc_s for f in found] == [250.0]


def test_one_for_good_is_made_finite_first():
    found = shrink([fault("rain", lasts=math.inf)], lambda tried: sum_s(tried) >= 3000.0)
    assert [f.until_utc_s for f in found] == [3600.0]
    found = shrink([fault("rain", lasts=math.inf)], lambda tried: sum_s(tried) == math.inf)
    assert [f.until_utc_s for f in found] == [math.inf]


def test_an_instant_stays_one():
    crash = fault("camera-driver-crash", 5.0, 0.0)
    assert shrink([crash, fault("rain")], lambda tried: crash in tried) == (crash,)


def test_a_night_that_breaks_without_faults_needs_none():
    assert shrink([fault("a"), fault("b")], lambda tried: True) == ()


def test_where_either_of_two_is_enough_the_first_is_kept():
    faults = [fault("a", 0.0, 10.0), fault("b", 1.0, 10.0)]
    assert shrink(faults, lambda tried: bool(tried)) == (faults[0],)


def sum_s(faults: tuple[ScheduledFault, ...]) -> float:
    return sum(f.until_utc_s - f.from_utc_s for f in faults)
