from __future__ import annotations

import math

import numpy as np
import pytest

from midwatch.imaging.guiding import SettleRule
from midwatch.imaging.guiding.settle import SettleWatch
from midwatch.imaging.guiding.statistics import GuideHistory, overcorrection, rms

RULE = SettleRule(under_arcsec=1.0, hold_s=5.0, timeout_s=30.0)


def test_it_is_settled_once_the_error_has_stayed_small_long_enough() -> None:
    watch = SettleWatch(RULE, 100.0)
    seen = [watch.inform(100.0 + t, e, e) for t, e in ((0, 3.0), (2, 0.8), (4, 0.5), (6, 0.9))]
    assert seen == ["waiting"] * 4
    assert watch.inform(107.0, 0.2, 0.2) == "settled"


def test_one_large_error_or_a_missing_star_begins_the_hold_again() -> None:
    for interruption in (1.0, None):
        watch = SettleWatch(RULE, 0.0)
        watch.inform(0.0, 0.5, 0.5)
        watch.inform(4.0, interruption, 0.1)
        assert watch.inform(6.0, 0.5, 0.5) == "waiting"
        assert watch.inform(10.9, 0.5, 0.5) == "waiting"
        assert watch.inform(11.0, 0.5, 0.5) == "settled"


def test_it_times_out() -> None:
    watch = SettleWatch(RULE, 0.0)
    assert watch.inform(29.9, 2.0, 2.0) == "waiting"
    assert watch.inform(30.0, 2.0, 2.0) == "timed_out"


def test_a_smoothed_rule_looks_at_the_estimate_but_wants_a_star() -> None:
    watch = SettleWatch(SettleRule(1.0, 5.0, 30.0, smoothed=True), 0.0)
    assert watch.inform(0.0, 1.7, 0.3) == "waiting"
    assert watch.inform(5.0, 1.4, 0.3) == "settled"
    watch = SettleWatch(SettleRule(1.0, 5.0, 30.0, smoothed=True), 0.0)
    watch.inform(0.0, None, 0.1)
    assert watch.inform(6.0, None, 0.1) == "waiting"


@pytest.mark.parametrize("wrong", [(0, 5, 30), (1, -1, 30), (1, 5, 0)])
def test_a_rule_without_bounds_is_refused(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="positive"):
        SettleRule(*wrong)


def test_history_gives_the_figures_of_the_window_only() -> None:
    history = GuideHistory(window_s=100.0)
    history.add(0.0, 50.0, 50.0, 0.0, 0.0)
    for i in range(40):
        sign = 1.0 if i % 2 else -1.0
        history.add(101.0 + i, 0.5 * sign, 0.4 * sign, -0.3 * sign, 0.1)
    figures = history.figures(0.3, 0.0)
    assert figures["count"] == 40
    assert figures["rms_ra_arcsec"] == pytest.approx(0.5)
    assert figures["rms_dec_arcsec"] == pytest.approx(0.4)
    assert figures["peak_arcsec"] == pytest.approx(math.hypot(0.5, 0.4))
    assert figures["mount_rms_arcsec"] == pytest.approx(math.sqrt(0.41 - 0.09))
    assert figures["overcorrection_ra"] == 1.0
    assert figures["overcorrection_dec"] == 0.0


def test_an_empty_history_knows_nothing() -> None:
    figures = GuideHistory(10.0).figures(0.1, 0.1)
    assert figures["count"] == 0
    assert math.isnan(figures["rms_total_arcsec"])
    assert math.isnan(figures["peak_arcsec"])
    assert math.isnan(rms(np.empty(0)))


def test_overcorrection_of_independent_corrections_is_near_zero() -> None:
    corrections = np.random.default_rng(3).normal(size=4000)
    assert overcorrection(corrections) < 0.05
    assert math.isnan(overcorrection(np.array([1.0, 0.0, -1.0])))
