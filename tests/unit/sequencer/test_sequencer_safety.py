"""Weather to verdict: levels, missing data, calm time."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from midwatch.devices.contract.kinds import WeatherState
from midwatch.orders.models import SafetyLimits
from midwatch.sequencer.facts import Reading, SafetyWatch
from midwatch.sequencer.facts.guards import Guard

LIMITS = SafetyLimits(max_wind_ms=9, max_humidity_percent=90, calm_s=600, stale_s=120)


def weather(**changes: object) -> WeatherState:
    fine: dict[str, object] = {
        "connected": True, "read_at": datetime(2027, 3, 10, 20, tzinfo=UTC), "wind_ms": 2.0,
        "humidity_percent": 60.0, "rain": False,
    }  # fmt: skip
    return WeatherState.model_validate(fine | changes)


@pytest.mark.parametrize(
    ("state", "age_s", "word"),
    [
        (weather(rain=True), 5, "rain"),
        (weather(rain=None), 5, "rain sensor"),
        (weather(wind_ms=9.5), 5, "wind 9.5 m/s is over the limit of 9 m/s"),
        (weather(wind_ms=None), 5, "no wind reading"),
        (weather(), 121, "121 s old"),
        (weather(connected=False), 5, "silent"),
        (None, 5, "silent"),
    ],
)
def test_bad_missing_and_stale_readings_are_unsafe(
    state: WeatherState | None, age_s: float, word: str
) -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(weather(), 5, 0.0).safe
    verdict = watch.update(state, age_s, 60.0)
    assert not verdict.safe
    assert word in verdict.reason


def test_good_readings_must_last_after_trouble_but_not_at_the_start() -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert not watch.update(None, float("inf"), 0.0).safe
    assert watch.update(weather(), 5, 10.0).safe
    assert not watch.update(weather(rain=True), 5, 20.0).safe
    assert not watch.update(weather(), 5, 30.0).safe
    assert not watch.update(weather(), 5, 629.0).safe
    assert watch.update(weather(), 5, 630.0).safe


def test_it_is_reported_once_when_a_limit_is_passed_and_when_it_is_kept_again() -> None:
    seen: list[tuple[bool, str]] = []
    watch = SafetyWatch(
        LIMITS, has_sensor=True, note=lambda turn: seen.append((turn.over, turn.reason))
    )
    watch.update(weather(), 5, 0.0)
    watch.update(None, 300, 10.0)  # missing readings are over no limit
    assert seen == []
    watch.update(weather(humidity_percent=90.5), 5, 20.0)
    watch.update(weather(humidity_percent=93.0), 5, 30.0)
    assert seen == [(True, "humidity 90.5 % is over the limit of 90 %")]
    watch.update(weather(), 5, 40.0)
    watch.update(weather(), 5, 700.0)
    assert [over for over, _ in seen] == [True, False]


def test_a_restart_in_bad_weather_waits_for_calm() -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True, troubled=True)
    assert not watch.update(weather(), 5, 0.0).safe
    assert watch.update(weather(), 5, 600.0).safe


def reading(at_s: float, **changes: object) -> WeatherState:
    return weather(read_at=datetime.fromtimestamp(at_s, UTC), **changes)


@pytest.mark.parametrize("state", [None, weather(connected=False, read_at=None)])
def test_a_sensor_that_drops_out_leaves_its_last_reading_until_it_is_stale(
    state: WeatherState | None,
) -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(reading(0.0), 0.0, 0.0).safe
    assert watch.update(state, float("inf"), 119.0).safe
    assert not watch.update(state, float("inf"), 121.0).safe
    wet = SafetyWatch(LIMITS, has_sensor=True)
    assert wet.update(reading(0.0), 0.0, 0.0).safe
    assert not wet.update(reading(60.0, rain=True), 0.0, 60.0).safe
    assert wet.update(state, float("inf"), 100.0).reason == "rain"


def test_a_gap_between_good_readings_ends_with_three_new_good_ones() -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(reading(0.0), 0.0, 0.0).safe
    assert not watch.update(None, 130.0, 130.0).safe
    assert not watch.update(reading(0.0), 100.0, 300.0).safe, "the one from before counts no more"
    for at_s in (310.0, 370.0):
        assert not watch.update(reading(at_s), 0.0, at_s).safe
        assert not watch.update(reading(at_s), 30.0, at_s + 30.0).safe, "heard twice is one"
    assert watch.update(reading(430.0), 0.0, 430.0).safe


def test_a_gap_begins_with_the_last_reading_whatever_a_new_driver_tells() -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(reading(0.0), 0.0, 0.0).safe
    assert not watch.update(weather(read_at=None), float("inf"), 130.0).safe
    for at_s in (300.0, 360.0):
        assert not watch.update(reading(at_s), 0.0, at_s).safe
    assert watch.update(reading(420.0), 0.0, 420.0).safe


@pytest.mark.parametrize(
    "between",
    [
        pytest.param([(None, 130.0, 130.0), (reading(300.0, rain=True), 0.0, 300.0)], id="rain"),
        pytest.param([(reading(60.0, rain=True), 0.0, 60.0), (None, 200.0, 260.0)], id="rained"),
        pytest.param([(reading(200.0, rain=True, wind_ms=None), 0.0, 200.0)], id="half a reading"),
        pytest.param([(None, 130.0, 130.0), (None, 600.0, 600.0)], id="as long as the calm time"),
    ],
)
def test_no_other_trouble_ends_before_the_calm_time(
    between: list[tuple[WeatherState | None, float, float]],
) -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(reading(0.0), 0.0, 0.0).safe
    for state, age_s, now_s in between:
        assert not watch.update(state, age_s, now_s).safe
    for minute in range(10):
        at_s = 610.0 + 60.0 * minute
        assert not watch.update(reading(at_s), 0.0, at_s).safe
    assert watch.update(reading(1210.0), 0.0, 1210.0).safe


def test_a_gap_within_a_gap_counts_from_the_first() -> None:
    watch = SafetyWatch(LIMITS, has_sensor=True)
    assert watch.update(reading(0.0), 0.0, 0.0).safe
    assert not watch.update(None, 130.0, 130.0).safe
    assert not watch.update(reading(300.0), 0.0, 300.0).safe
    assert not watch.update(None, 200.0, 500.0).safe
    for at_s in (660.0, 720.0, 780.0, 840.0):
        assert not watch.update(reading(at_s), 0.0, at_s).safe
    assert watch.update(reading(1260.0), 0.0, 1260.0).safe


def test_a_rig_without_sensor_is_in_the_operators_hands() -> None:
    assert SafetyWatch(LIMITS, has_sensor=False).update(None, float("inf"), 0.0).safe


def test_a_guard_that_is_tripped_when_it_is_installed_trips() -> None:
    guard = Guard(trip=60, clear=40, for_s=180)
    assert guard.update(Reading(70, ""), 0.0)
    assert guard.status == "tripped"


def test_a_guard_has_hysteresis_and_patience() -> None:
    guard = Guard(trip=60, clear=40, for_s=100)
    guard.update(Reading(10, ""), 0.0)
    assert not guard.update(Reading(70, ""), 10.0)
    assert not guard.update(Reading(30, ""), 50.0), "a short excursion is forgiven"
    assert not guard.update(Reading(70, ""), 60.0)
    assert guard.update(Reading(70, ""), 160.0)
    assert not guard.update(Reading(50, ""), 400.0), "between the thresholds nothing changes"
    assert guard.status == "tripped"
    assert not guard.update(Reading(39, ""), 500.0)
    assert guard.update(Reading(39, ""), 600.0)
    assert guard.status == "clear"


def test_missing_data_never_clear_a_guard() -> None:
    falling = Guard(trip=2, clear=3)
    falling.update(Reading(1.5, ""), 0.0)
    assert falling.status == "tripped"
    assert not falling.update(Reading(None, ""), 1.0)
    assert falling.status == "tripped"
    strict = Guard(trip=2, clear=3, missing="tripped")
    strict.update(Reading(None, ""), 0.0)
    assert strict.status == "tripped"
