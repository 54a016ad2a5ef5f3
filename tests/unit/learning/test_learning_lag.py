"""A lens that follows the air late: what is learned of it from runs and from star sizes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from midwatch.learning import FocusScale, ProbeHistory
from midwatch.learning.focus_model import fit_focus_model, weigh_by_sizes
from midwatch.learning.focus_points import FocusPoint
from midwatch.learning.probe_history import LAGS_MIN
from midwatch.learning.size_evidence import SizedLight

SCALE = FocusScale(65.0, 20.0, {"L": 0})
_WAVE_S = 3.0 * 3600.0


def probe_c(at_s: float) -> float:
    """Waves of 1.5 degC on a slow fall."""
    return 6.0 - at_s / 3600.0 * 0.5 + 1.5 * math.sin(2.0 * math.pi * at_s / _WAVE_S)


def lens_c(until_s: float, lag_s: float) -> np.ndarray:
    """The lens by steps of ten seconds, as a first-order lag; it begins a degree off."""
    found = [probe_c(0.0) + 1.0]
    for i in range(int(until_s / 10.0)):
        found.append(found[-1] + (probe_c((i + 0.5) * 10.0) - found[-1]) * 10.0 / lag_s)
    return np.array(found)


def runs(lag_min: float, every_s: float = 2700.0, count: int = 10, noise: float = 3.0,
         seed: int = 1) -> list[FocusPoint]:  # fmt: skip
    """Runs of a rig of 25 steps a degree whose lens is so late behind its probe."""
    rng = np.random.default_rng(seed)
    lens = lens_c(every_s * count, 60.0 * max(lag_min, 0.2))
    history, points = ProbeHistory.begin(0.0, probe_c(0.0)), []
    for number in range(1, count + 1):
        for part in range(1, 10):
            at_s = every_s * (number - 1 + part / 9.0)
            history = history.after(at_s, probe_c(at_s))
        best = 15_000.0 + 25.0 * lens[round(every_s * number / 10.0)]
        position = best + noise * float(rng.normal())
        points.append(FocusPoint("1", "L", history.probe_c, position, noise, history))
    return points


def test_bodies_of_every_lag_follow_the_probe_as_physics_says() -> None:
    # An Euler integration of ten seconds; a body begins where the probe does.
    history = ProbeHistory.begin(0.0, probe_c(0.0))
    for minute in range(5, 301, 5):
        history = history.after(minute * 60.0, probe_c(minute * 60.0))
    for number, lag_min in enumerate(LAGS_MIN):
        if lag_min < 5.0:
            continue
        known = lens_c(18_000.0, 60.0 * lag_min)[-1]
        begun = history.lagged_c[number] + history.fading[number] * 1.0
        assert begun == pytest.approx(known, abs=0.02)
    assert history.lagged_c[0] == pytest.approx(history.probe_c, abs=1e-5)
    assert history.after(17_000.0, 99.0) is history


@pytest.mark.parametrize("lag_min", [0.0, 20.0, 60.0, 110.0])
def test_slope_and_lag_are_found_together(lag_min: float) -> None:
    model = fit_focus_model(runs(lag_min), "1", SCALE)
    assert model.lag_sigma_min is not None
    assert abs(model.lag_min - lag_min) < max(3.0 * model.lag_sigma_min, 8.0)
    assert abs(model.slope_steps_per_c - 25.0) < 3.0 * model.slope_sigma
    assert model.slope_sigma < 5.0


def test_few_runs_leave_the_lag_open_and_say_so() -> None:
    few, many = (fit_focus_model(runs(60.0, count=n), "1", SCALE) for n in (2, 10))
    assert few.lag_sigma_min is not None
    assert many.lag_sigma_min is not None
    assert few.lag_sigma_min > 30.0
    assert many.lag_sigma_min < 0.5 * few.lag_sigma_min


def test_errors_of_predictions_are_honest() -> None:
    """What a model foretells of the next run is within its own error as often as a normal is."""
    within = tried = 0
    for seed in range(12):
        points = runs(60.0, count=9, seed=seed)
        for count in (4, 6, 8):
            foretold = fit_focus_model(points[:count], "1", SCALE).predict(points[count].felt, "L")
            assert foretold is not None
            sigma = math.hypot(foretold[1], 3.0)
            within += abs(foretold[0] - points[count].position) < 2.0 * sigma
            tried += 1
    # 95 percent of 36 are 34; binomial spread 1.3.
    assert within >= 31


def test_sizes_of_stars_between_runs_tell_the_lag() -> None:
    """Two runs leave the lag open; lights that stay sharp while the probe swings close it."""
    points = runs(150.0, every_s=10_800.0, count=2)
    model = fit_focus_model(points, "1", FocusScale(20.0, 20.0, {"L": 0}))
    lens, run = lens_c(32_400.0, 9000.0), points[-1]
    lights, now = [], run.felt
    for number in range(1, 31):
        now = now.after(run.felt.at_s + 300.0 * number, probe_c(run.felt.at_s + 300.0 * number))
        off = 25.0 * (lens[2160] - lens[round(now.at_s / 10.0)])
        size = math.hypot(1.0, 0.83 * 0.05 * off)
        lights.append(SizedLight(2, "t", now.at_s, size, 0.0, run.felt, now))
    weighed = weigh_by_sizes(model, lights, 0.05)
    assert model.lag_sigma_min is not None
    assert weighed.lag_sigma_min is not None
    assert abs(weighed.lag_min - 150.0) < abs(model.lag_min - 150.0)
    assert weighed.lag_sigma_min < model.lag_sigma_min
