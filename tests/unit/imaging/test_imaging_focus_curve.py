from __future__ import annotations

import numpy as np
import pytest

from midwatch.imaging.focus.curve import fit_focus_curve

STEPS = np.arange(9400.0, 10601.0, 150.0)


def curve(
    p: np.ndarray, centre: float = 10_034.0, best: float = 1.6, w: float = 150.0
) -> np.ndarray:
    return best * np.hypot(1.0, (p - centre) / w)


@pytest.mark.parametrize("count", [5, 6, 7, 9, 15])
def test_exact_points_give_the_exact_minimum(count: int) -> None:
    p = np.linspace(9400, 10600, count)
    fit = fit_focus_curve(p, curve(p))
    assert fit.ok and fit.problem is None and not fit.rejected.any()
    assert fit.best_position == pytest.approx(10_034, abs=0.5)
    assert fit.best_hfr == pytest.approx(1.6, abs=0.01)
    assert fit.slope == pytest.approx(1.6 / 150, rel=0.01)
    assert fit.quality == pytest.approx(1.0, abs=1e-4)


def test_the_order_of_the_points_does_not_matter() -> None:
    rng = np.random.default_rng(5)
    h = curve(STEPS) * (1 + 0.03 * rng.normal(size=len(STEPS)))
    order = rng.permutation(len(STEPS))
    first, second = fit_focus_curve(STEPS, h), fit_focus_curve(STEPS[order], h[order])
    assert second.best_position == pytest.approx(first.best_position, abs=0.05)


def test_noise_of_three_percent_and_its_uncertainty() -> None:
    """The stated uncertainty covers the true error as often as a standard deviation should."""
    rng = np.random.default_rng(1)
    pulls = []
    for _ in range(25):
        centre = 10_000 + rng.uniform(-100, 100)
        h = curve(STEPS, centre) * (1 + 0.03 * rng.normal(size=len(STEPS)))
        fit = fit_focus_curve(STEPS, h)
        assert fit.ok
        assert abs(fit.best_position - centre) < 0.15 * 150
        pulls.append((fit.best_position - centre) / fit.uncertainty_steps)
    assert 0.5 < np.std(pulls) < 1.5


@pytest.mark.parametrize("outlier", range(9))
@pytest.mark.parametrize("factor", [0.6, 2.0])
def test_one_outlier_anywhere_is_left_out(outlier: int, factor: float) -> None:
    rng = np.random.default_rng(7)
    h = curve(STEPS) * (1 + 0.02 * rng.normal(size=len(STEPS)))
    h[outlier] *= factor
    fit = fit_focus_curve(STEPS, h)
    # A point too low at the very bottom only lowers the floor of the curve.
    if not (factor < 1 and STEPS[outlier] == 10_000):
        assert fit.rejected[outlier]
    assert fit.ok
    assert fit.best_position == pytest.approx(10_034, abs=25)


def test_positions_without_stars_are_left_out_and_do_not_spoil_the_quality() -> None:
    h = curve(STEPS)
    h[[0, -1]] = np.nan
    fit = fit_focus_curve(STEPS, h)
    assert fit.rejected.tolist() == [True, *[False] * 7, True]
    assert fit.ok and fit.quality > 0.99
    assert fit.best_position == pytest.approx(10_034, abs=1)


def test_too_few_points_say_so() -> None:
    for p, h in (([], []), ([1.0], [2.0]), ([1, 2, 3, 4], [4, 2, 3, 5]), ([5] * 8, [2] * 8)):
        fit = fit_focus_curve(p, h)
        assert (fit.ok, fit.problem) == (False, "too_few")
        assert np.isnan(fit.best_position)
        assert "5 are needed" in fit.reason


@pytest.mark.parametrize("side", [1, -1])
def test_a_minimum_outside_tells_where_to_look_on(side: int) -> None:
    centre = 10_000 + side * 900
    fit = fit_focus_curve(STEPS, curve(STEPS, centre))
    assert (fit.ok, fit.problem) == (False, "outside")
    assert (fit.best_position - 10_000) * side > 600
    assert "outside" in fit.reason


def test_a_flat_run_and_a_hill_have_no_focus() -> None:
    flat = fit_focus_curve(STEPS, 2.0 + 0.05 * np.cos(STEPS))
    assert (flat.ok, flat.problem) == (False, "flat")
    hill = fit_focus_curve(STEPS, 8.0 - curve(STEPS))
    assert not hill.ok
    assert hill.problem in ("inverted", "outside")


def test_pure_noise_is_never_trusted() -> None:
    rng = np.random.default_rng(3)
    verdicts = [fit_focus_curve(STEPS, rng.uniform(2, 5, len(STEPS))) for _ in range(15)]
    assert sum(fit.ok for fit in verdicts) <= 1


def test_a_shallow_run_with_noise_is_still_a_run() -> None:
    rng = np.random.default_rng(4)
    p = np.linspace(9_930, 10_130, 9)
    for _ in range(10):
        fit = fit_focus_curve(p, curve(p) * (1 + 0.015 * rng.normal(size=9)))
        assert fit.ok
        assert fit.best_position == pytest.approx(10_034, abs=20)


def test_errors_given_weigh_the_points() -> None:
    h = curve(STEPS)
    h[2] += 0.5
    sigma = np.full(len(STEPS), 0.05)
    sigma[2] = 5.0
    fit = fit_focus_curve(STEPS, h, sigma)
    assert not fit.rejected[2]
    assert fit.best_position == pytest.approx(10_034, abs=1)


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="differ"):
        fit_focus_curve([1, 2, 3], [1, 2])
