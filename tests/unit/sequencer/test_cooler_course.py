"""When a sensor counts as cold, and when its cooler counts as being at its end."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from midwatch.orders.models import CameraSettings
from midwatch.sequencer.camera import CoolerCourse, held_c

SETTINGS = CameraSettings(pixel_um=3.76, cool_to_c=-20.0)
AIR_C = 8.0


def ended(
    sensor_c: Callable[[float], float | None],
    percent: Callable[[float], float | None] = lambda _: 100.0,
    settings: CameraSettings = SETTINGS,
    heartbeat_s: float = 10.0,
) -> tuple[str | None, float]:
    """Read a sensor each five seconds; return how it ended, and after how many seconds."""
    course = CoolerCourse(-20.0, settings, heartbeat_s, 0.0)
    for now_s in range(0, 7200, 5):
        found = course.take(float(now_s), sensor_c(now_s), percent(now_s))
        if found is not None:
            return found, now_s
    return None, math.inf


def approach(to_c: float, tau_s: float) -> Callable[[float], float]:
    return lambda now_s: to_c + (AIR_C - to_c) * math.exp(-now_s / tau_s)


def test_a_sensor_that_comes_to_its_set_point_is_cold_there() -> None:
    how, after_s = ended(approach(-30.0, 300.0))
    # -30 + 38 exp(-t / 300) = -20 + 0.7, by hand: t = 300 ln(38 / 10.7).
    assert (how, after_s) == ("cold", pytest.approx(380.0, abs=5.0))


def test_a_cooler_at_its_end_is_known_within_minutes_of_getting_there() -> None:
    how, after_s = ended(approach(-12.0, 90.0))
    assert how == "end" and after_s < 480.0
    assert approach(-12.0, 90.0)(after_s) < -12.0 + 0.5


def test_a_slow_sensor_is_waited_for_as_long_as_it_falls() -> None:
    # A large sensor: 0.38 degrees a minute when it is still 10 degrees from its end.
    how, after_s = ended(approach(-30.0, 1500.0))
    assert how == "cold" and after_s > 1800.0


def test_a_dead_cooler_is_known_after_a_minute() -> None:
    assert ended(lambda _: 10.5) == ("end", 60)
    assert ended(lambda _: 10.5, lambda _: None) == ("end", 60)


def test_a_cooler_that_says_it_has_power_left_is_waited_for_but_not_for_ever() -> None:
    assert ended(lambda _: 10.5, lambda _: 40.0) == ("end", 300)


def test_a_sensor_that_is_colder_and_stays_so_needs_no_cooling() -> None:
    assert ended(lambda _: -24.0, lambda _: 0.0) == ("cold", 60)


def test_a_thermometer_that_says_nothing_ends_the_wait() -> None:
    assert ended(lambda _: None, lambda _: None) == ("end", 60)


def test_a_cooler_that_was_asked_to_be_slow_is_given_its_time() -> None:
    slow = CameraSettings(pixel_um=3.76, cool_to_c=-20.0, cool_rate_c_per_min=0.4)
    how, _ = ended(lambda now_s: AIR_C - 0.28 * now_s / 60.0, settings=slow)
    assert how == "cold"


def test_a_camera_that_reports_seldom_is_judged_over_longer() -> None:
    def stale(now_s: float) -> float:
        return approach(-12.0, 300.0)(now_s // 120 * 120)

    how, after_s = ended(stale, heartbeat_s=120.0)
    assert how == "end" and stale(after_s) < -10.0


@pytest.mark.parametrize(("sensor_c", "setpoint_c"), [(-31.5, -30.0), (-5.2, -4.0), (0.0, 1.0)])
def test_some_reserve_is_kept_and_whole_degrees(sensor_c: float, setpoint_c: float) -> None:
    assert held_c(sensor_c) == setpoint_c
