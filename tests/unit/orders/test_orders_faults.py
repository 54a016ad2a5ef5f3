"""Faults that are asked for: what is written, when they fall, and how they are drawn."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from midwatch.orders.injected import (
    FAULT_KINDS,
    FaultTextError,
    Scenario,
    ScheduledFault,
    draw_faults,
    fault_roles,
    parse_fault,
    schedule,
    shown_by,
)
from midwatch.orders.injected.fault_orders import parse_duration_s

ROLES = ("mount", "camera", "focuser", "guider", "filter_wheel", "weather", "roof")


def test_a_fault_is_written_with_name_time_and_duration():
    order = parse_fault("guide-camera-unplugged@02:10+10m")
    (found,) = schedule([order], date(2027, 3, 10), UTC)
    begins = datetime(2027, 3, 11, 2, 10, tzinfo=UTC).timestamp()
    assert found == ScheduledFault(begins, begins + 600.0, "guide-camera-unplugged")


def test_without_duration_a_fault_stays_and_an_instant_is_over_at_once():
    orders = [parse_fault("camera-unplugged@23:30:15"), parse_fault("encoder-jump@18:00")]
    jump, cable = schedule(orders, date(2027, 3, 10), UTC)
    assert jump.name == "encoder-jump"
    assert jump.until_utc_s == jump.from_utc_s
    assert cable.until_utc_s == math.inf


def test_times_are_of_the_site_from_noon_to_noon():
    vienna = ZoneInfo("Europe/Vienna")
    orders = [parse_fault("rain@13:00+1h"), parse_fault("rain@11:00+1h")]
    early, late = schedule(orders, date(2027, 3, 10), vienna)
    assert datetime.fromtimestamp(early.from_utc_s, UTC) == datetime(2027, 3, 10, 12, tzinfo=UTC)
    assert datetime.fromtimestamp(late.from_utc_s, UTC) == datetime(2027, 3, 11, 10, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("guide-camera-unplugged", "has no time"),
        ("guide-camera-unpluged@02:10", "did you mean guide-camera-unplugged?"),
        ("goblins@02:10", "midwatch schema faults"),
        ("rain@25:00", "no time of day"),
        ("rain@02:10+soon", "no duration"),
        ("rain@02:10+0m", "no duration"),
        ("rain@02:10+", "no duration"),
        ("encoder-jump@02:10+5m", "over in an instant"),
    ],
)
def test_what_is_no_fault_is_refused_with_what_to_write(text: str, says: str):
    with pytest.raises(FaultTextError, match=says.replace("?", r"\?")):
        parse_fault(text)


@pytest.mark.parametrize(("text", "seconds"), [("90s", 90.0), ("10m", 600.0), ("1.5h", 5400.0)])
def test_durations(text: str, seconds: float):
    assert parse_duration_s(text) == seconds


def test_a_scenario_names_its_faults_like_the_command_line():
    scenario = Scenario.model_validate(
        {
            "faults": [
                {"fault": "dew", "at": "01:00", "lasts": "20m"},
                {"fault": "rain", "at": "3:00"},
            ]
        }
    )
    found = schedule(scenario.faults, date(2027, 3, 10), UTC)
    assert [fault.name for fault in found] == ["dew", "rain"]
    with pytest.raises(ValueError, match="no fault is called"):
        Scenario.model_validate({"faults": [{"fault": "hail", "at": "01:00"}]})


def test_a_guider_with_its_camera_inside_shows_the_faults_of_the_guide_camera():
    assert fault_roles(["guider"])["guide_camera"] == "guider"
    assert fault_roles(["guider", "guide_camera"])["guide_camera"] == "guide_camera"
    assert "guide_camera" not in fault_roles(["mount"])


@given(seed=st.integers(0, 10_000))
def test_drawn_faults_are_of_the_rig_within_the_night_and_the_same_for_a_seed(seed: int):
    roles = ROLES[:4]
    first, again = (
        draw_faults(np.random.default_rng(seed), roles, 1000.0, 40_000.0, most=5) for _ in range(2)
    )
    assert first == again
    assert 1 <= len(first) <= 5
    for fault in first:
        kind = FAULT_KINDS[fault.name]
        assert kind.role is None or kind.role in (*roles, "guide_camera")
        assert 1000.0 <= fault.from_utc_s <= 40_000.0
        assert kind.instant == (fault.until_utc_s == fault.from_utc_s)
        if not kind.instant and math.isfinite(fault.until_utc_s):
            assert (
                kind.drawn_s[0] - 1 <= fault.until_utc_s - fault.from_utc_s <= kind.drawn_s[1] + 1
            )


def test_every_fault_comes_up_when_drawn_often():
    rng = np.random.default_rng(3)
    seen = {fault.name for _ in range(2000) for fault in draw_faults(rng, ROLES, 0.0, 10.0)}
    assert seen == set(FAULT_KINDS)


def test_a_fault_reads_back_as_it_is_shown():
    fault = schedule([parse_fault("bus-loss@23:05:10+90s")], date(2027, 3, 10), UTC)[0]
    assert schedule([parse_fault(fault.text(UTC))], date(2027, 3, 10), UTC) == [fault]


NUMBERS = {"mount": "simulated-mount", "guider": "simulated-guider"}
MEASURING = {
    "mount": "simulated-mount",
    "guider": "midwatch-guider",
    "guide_camera": "simulated-guide-camera",
}


@pytest.mark.parametrize(
    ("name", "drivers", "role"),
    [
        ("guide-camera-frozen", NUMBERS, "guider"),
        ("guide-camera-frozen", NUMBERS | {"guide_camera": "simulated-guide-camera"}, "guider"),
        ("guide-camera-frozen", MEASURING, "guide_camera"),
        ("guide-star-lost", MEASURING, "guide_camera"),
        ("guide-overcorrection", MEASURING, "mount"),
        ("guide-overcorrection", {"mount": "simulated-mount"}, None),
        ("mount-stalls", MEASURING, "mount"),
        ("rain", MEASURING, None),
    ],
)
def test_each_fault_is_shown_by_what_can_show_it(name: str, drivers: dict[str, str], role):
    assert shown_by(FAULT_KINDS[name], drivers) == role


@pytest.mark.parametrize("name", ["daemon-killed", "power-cut"])
def test_a_dead_daemon_has_to_be_started_again(name: str) -> None:
    """Without an end the night had none either: the rehearsal ran on for ever."""
    with pytest.raises(FaultTextError, match=rf"{name}@23:30\+5m on the command line"):
        parse_fault(f"{name}@23:30")
    with pytest.raises(ValidationError, match=r"lasts: 5m in a file"):
        Scenario.model_validate({"faults": [{"fault": name, "at": "23:30"}]})
    assert parse_fault(f"{name}@23:30+5m").lasts == "5m"
