from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from midwatch.imaging.guiding.steering.axis_control import AxisController
from midwatch.imaging.guiding.steering.backlash import Backlash
from midwatch.imaging.guiding.steering.motion_estimate import Estimate, MotionEstimator
from midwatch.imaging.guiding.steering.proven_drift import proven_drift_arcsec_s
from midwatch.imaging.guiding.steering.spectrum import (
    find_periods,
    periodogram,
    unguided_blur_arcsec,
)

CYCLE_S = 2.5


def controller(**more: object) -> AxisController:
    settings: dict[str, object] = {"most_arcsec": 10.0, "least_arcsec": 0.0, "coast_s": 30.0}
    return AxisController(**(settings | more))  # type: ignore[arg-type]


def closed_loop(
    axis: AxisController,
    mount: Callable[[float], float],
    cycles: int,
    *,
    noise_arcsec: float = 0.0,
    unseen: range = range(0),
    seed: int = 1,
) -> tuple[np.ndarray, np.ndarray]:
    """True errors and corrections of an axis that does exactly what it is asked for."""
    rng = np.random.default_rng(seed)
    moved = 0.0
    errors, moves = [], []
    for i in range(cycles):
        time_s = i * CYCLE_S
        error = mount(time_s) + moved
        seen = None if i in unseen else error + noise_arcsec * rng.normal()
        correction = axis.step(time_s, seen, 0.0, time_s + CYCLE_S)
        moved += correction.move_arcsec
        axis.performed(correction.move_arcsec)
        errors.append(error)
        moves.append(correction.move_arcsec)
    return np.array(errors), np.array(moves)


def test_a_steady_drift_leaves_no_lag() -> None:
    errors, _ = closed_loop(controller(), lambda t: 0.2 * t, 60)
    assert np.abs(errors[30:]).max() < 0.03


def test_on_a_mount_at_rest_seeing_is_not_chased() -> None:
    errors, _ = closed_loop(controller(), lambda _: 0.7, 240, noise_arcsec=0.5, seed=3)
    assert errors[120:].std() < 0.12


def test_seeing_and_drift_are_distinguished() -> None:
    axis = controller()
    closed_loop(axis, lambda t: 0.02 * t, 240, noise_arcsec=0.4, seed=4)
    assert axis.estimator.noise_arcsec == pytest.approx(0.4, rel=0.15)
    assert axis.estimator.drift_arcsec_s == pytest.approx(0.02, abs=0.006)


def test_a_known_period_is_learned_and_fed_forward() -> None:
    def mount(time_s: float) -> float:
        return 8.0 * math.sin(2 * math.pi * time_s / 300.0 + 1.0)

    errors, _ = closed_loop(controller(periods_s=(300.0,)), mount, 300, noise_arcsec=0.3)
    assert errors[160:].std() < 0.15
    blind, _ = closed_loop(controller(), mount, 300, noise_arcsec=0.3)
    assert blind[160:].std() > 1.5 * errors[160:].std()


def test_no_move_is_larger_than_allowed_and_small_ones_are_left_out() -> None:
    _, moves = closed_loop(controller(most_arcsec=0.5), lambda _: 5.0, 14)
    assert np.abs(moves).max() == 0.5
    _, moves = closed_loop(controller(least_arcsec=0.2), lambda _: 0.15, 20)
    assert not moves.any()


def test_one_gust_is_not_chased() -> None:
    def mount(time_s: float) -> float:
        return 6.0 if time_s == 100 * CYCLE_S else 0.0

    errors, moves = closed_loop(controller(), mount, 110, noise_arcsec=0.3, seed=2)
    assert errors[100] > 5.0
    assert abs(moves[100]) < 1.5
    assert np.abs(errors[101:]).max() < 1.5


def test_a_jump_that_stays_is_followed_in_a_few_cycles() -> None:
    def mount(time_s: float) -> float:
        return 6.0 if time_s >= 100 * CYCLE_S else 0.0

    errors, _ = closed_loop(controller(), mount, 112, noise_arcsec=0.3, seed=2)
    assert np.abs(errors[104:]).max() < 1.5


def test_without_stars_the_model_steers_on_for_a_while_then_holds() -> None:
    axis = controller(coast_s=30.0)
    _, moves = closed_loop(axis, lambda t: 0.1 * t, 100, noise_arcsec=0.2, unseen=range(60, 90))
    assert moves[62:70] == pytest.approx(-0.25, abs=0.08)
    assert not moves[73:90].any()
    assert moves[90:].any()


def test_nothing_is_done_before_the_first_measurement() -> None:
    assert controller().step(0.0, None, 0.0, 2.5).move_arcsec == 0.0


def test_a_new_target_is_reached_at_the_allowed_pace() -> None:
    axis = controller(most_arcsec=2.0)
    closed_loop(axis, lambda _: 0.0, 40, noise_arcsec=0.1)
    axis.retarget(5.0)
    moved, moves = 0.0, []
    for i in range(40, 46):
        time_s = i * CYCLE_S
        move = axis.step(time_s, moved - 5.0, 0.0, time_s + CYCLE_S).move_arcsec
        axis.performed(move)
        moved += move
        moves.append(move)
    assert moves[:2] == pytest.approx([2.0, 2.0])
    assert moved == pytest.approx(5.0, abs=0.2)


def test_a_correction_that_was_refused_is_asked_for_again() -> None:
    axis = controller()
    first = axis.step(0.0, 3.0, 0.0, CYCLE_S).move_arcsec
    again = axis.step(CYCLE_S, 3.0, 0.0, 2 * CYCLE_S).move_arcsec
    assert first == pytest.approx(-3.0, abs=0.2)
    assert again == pytest.approx(-3.0, abs=0.2)


def test_a_period_is_found_by_itself_and_its_curve_is_known() -> None:
    axis = controller(seek_periods=True)

    def mount(time_s: float) -> float:
        return 5.0 * math.sin(2 * math.pi * time_s / 240.0)

    closed_loop(axis, mount, 400, noise_arcsec=0.3)
    assert axis.period_found_s == pytest.approx(240.0, rel=0.01)
    amplitude = max(math.hypot(a, b) for _, a, b in axis.estimator.waves)
    assert amplitude == pytest.approx(5.0, rel=0.1)
    turn = 760.0 + np.arange(0.0, 240.0, 10.0)
    curve = axis.estimator.periodic_arcsec(turn)
    assert curve == pytest.approx([mount(t) for t in turn], abs=0.5)


def test_the_estimate_says_how_sure_it_is() -> None:
    estimator = MotionEstimator()
    assert estimator.foretell(0.0).sigma_arcsec > 3.0
    rng = np.random.default_rng(5)
    for i in range(120):
        estimator.inform(i * CYCLE_S, 1.0 + 0.4 * rng.normal())
    soon = estimator.foretell(120 * CYCLE_S)
    late = estimator.foretell(180 * CYCLE_S)
    assert abs(soon.place_arcsec - 1.0) < 3 * soon.sigma_arcsec
    assert 0.02 < soon.sigma_arcsec < 0.3
    assert late.sigma_arcsec > soon.sigma_arcsec


def test_white_noise_has_no_period() -> None:
    rng = np.random.default_rng(6)
    time = np.arange(300) * CYCLE_S
    for _ in range(4):
        assert find_periods(time, rng.normal(size=300)) == ()
    assert len(periodogram(time[:10], time[:10]).share) == 0


def test_two_periods_are_found_next_to_drift_and_gaps() -> None:
    rng = np.random.default_rng(7)
    time = np.sort(rng.choice(np.arange(900), 600, replace=False)) * CYCLE_S
    error = 0.01 * time + 6 * np.sin(time / 480 * 2 * np.pi) + 2 * np.sin(time / 160 * 2 * np.pi)
    found = find_periods(time, error + 0.4 * rng.normal(size=600))
    assert [round(p) for p, _ in found[:2]] == pytest.approx([480, 160], rel=0.02)
    assert [a for _, a in found[:2]] == pytest.approx([6.0, 2.0], rel=0.1)


def test_the_blur_of_a_drift_is_that_of_a_uniform_trail() -> None:
    time = np.arange(600) * 1.0
    noise = 0.2 * np.random.default_rng(8).normal(size=600)
    # A trail of length L has the standard deviation L / sqrt(12).
    blur = unguided_blur_arcsec(time, 0.1 * time + noise, 60.0, 0.2)
    assert blur == pytest.approx(6.0 / math.sqrt(12), rel=0.04)
    assert math.isnan(unguided_blur_arcsec(time, time, 400.0, 0.0))


def at_rest(steer: Callable[[float, float], float], seed: int, play_arcsec: float) -> float:
    """Rms of an axis with play and no drift, which `steer` turns by a motor's arcseconds."""
    rng = np.random.default_rng(seed)
    motor = axis = wander = 0.0
    errors = []
    for i in range(360):
        wander = 0.85 * wander + 0.12 * math.sqrt(1 - 0.85**2) * rng.normal()
        errors.append(axis + wander)
        motor += steer(i * CYCLE_S, errors[-1] + 0.2 * rng.normal())
        axis = min(max(axis, motor - play_arcsec / 2), motor + play_arcsec / 2)
    return float(np.std(errors[60:]))


def test_play_without_drift_is_guided_closer_than_by_a_plain_rule() -> None:
    def steered(seed: int) -> float:
        gears = Backlash(7.2, "automatic", 0.08)
        axis = controller(least_arcsec=0.08, backlash=gears)

        def steer(time_s: float, seen: float) -> float:
            asked = axis.step(time_s, seen, 0.0, time_s + CYCLE_S)
            gears.taken_up(abs(asked.slack_arcsec))
            axis.performed(asked.move_arcsec)
            return asked.move_arcsec + asked.slack_arcsec

        return at_rest(steer, seed, 8.0)

    seeds = (1, 2, 3)
    plain = [at_rest(lambda _, seen: -0.65 * seen, seed, 8.0) for seed in seeds]
    ours = [steered(seed) for seed in seeds]
    assert np.mean(ours) < 0.9 * np.mean(plain)


def test_on_the_way_to_a_new_target_an_axis_with_play_takes_the_whole_of_each_step() -> None:
    axis = controller(least_arcsec=0.08, backlash=Backlash(2.0, "both_ways", 0.08))
    closed_loop(axis, lambda _: 0.0, 60, noise_arcsec=0.2)
    resting = axis.error(60 * CYCLE_S)
    axis.retarget(1.6 * resting.sigma_arcsec + resting.place_arcsec)
    moved = axis.step(60 * CYCLE_S, None, 0.0, 61 * CYCLE_S).move_arcsec
    axis.settled()
    assert moved != 0.0 and axis.step(60 * CYCLE_S, None, 0.0, 61 * CYCLE_S).move_arcsec == 0.0


def test_a_drift_is_proven_by_its_line_and_a_wander_is_none() -> None:
    rng = np.random.default_rng(9)
    time = np.arange(240) * CYCLE_S
    noise = 0.25 * rng.normal(size=240)
    drifts = 0.015 * time + noise
    assert proven_drift_arcsec_s(list(time), list(drifts)) == pytest.approx(0.015, abs=0.001)
    assert proven_drift_arcsec_s(list(time), list(noise)) == 0.0
    assert proven_drift_arcsec_s(list(time[:39]), list(drifts[:39])) is None


class TestBacklash:
    def test_play_is_added_on_a_reversal_only(self) -> None:
        gears = Backlash(4.0, "both_ways", 0.15)
        assert gears.plan(1.0, 0.1, 0.0) == (1.0, 0.0)
        assert gears.plan(0.5, 0.1, 0.0) == (0.5, 0.0)
        # With the play goes a part of what is wanted: the next frame shows the rest.
        assert gears.plan(-1.0, 0.1, 0.0) == (pytest.approx(-0.3), -4.0)
        gears.taken_up(4.0)
        assert gears.plan(-0.3, 0.1, 0.0) == (-0.3, 0.0)

    def test_play_larger_than_a_pulse_is_crossed_in_several(self) -> None:
        gears = Backlash(10.0, "both_ways", 0.15)
        gears.plan(1.0, 0.1, 0.0)
        assert gears.plan(-2.0, 0.1, 0.0) == (pytest.approx(-0.6), -10.0)
        gears.taken_up(7.0)
        gears.observe(2.0, Estimate(0.0, 0.1))
        assert gears.play_arcsec == 10.0, "nothing was learned half way"
        assert gears.plan(-2.0, 0.1, 0.0) == (-2.0, -3.0)
        # Turning round half way, the gears have only that far to go back.
        assert gears.plan(2.0, 0.1, 0.0) == (pytest.approx(0.6), 7.0)

    def test_a_small_or_doubtful_error_is_no_reason_to_reverse(self) -> None:
        gears = Backlash(4.0, "both_ways", 0.15)
        gears.plan(1.0, 0.1, 0.0)
        assert gears.plan(-0.3, 0.1, 0.0) == (0.0, 0.0)
        assert gears.plan(-0.9, 0.6, 0.0) == (0.0, 0.0)

    def test_much_play_does_not_leave_an_axis_off_for_long(self) -> None:
        gears = Backlash(8.0, "both_ways", 0.15)
        gears.plan(1.0, 0.1, 0.0)
        assert gears.plan(-0.5, 0.1, 0.0) == (pytest.approx(-0.15), -8.0)

    def test_at_rest_only_what_is_no_seeing_is_corrected_and_the_last_of_it_in_part(self) -> None:
        gears = Backlash(4.0, "both_ways", 0.08)
        gears.plan(1.0, 0.1, 0.0)
        assert gears.worth_correcting(0.2, 0.1, 0.0) == 0.0
        assert gears.worth_correcting(0.3, 0.1, 0.0) == pytest.approx(0.15)
        assert gears.worth_correcting(0.6, 0.1, 0.0) == 0.6
        assert gears.worth_correcting(-0.3, 0.1, 0.0) == -0.3, "a reversal has rules of its own"

    def test_against_a_drift_without_play_and_before_much_is_seen_all_is_corrected(self) -> None:
        gears = Backlash(4.0, "both_ways", 0.08)
        gears.plan(1.0, 0.1, 0.0)
        assert gears.worth_correcting(0.1, 0.1, -0.02) == 0.1
        assert gears.worth_correcting(0.1, 0.1, 0.02) == 0.0, "the drift itself brings it back"
        assert gears.worth_correcting(0.1, 0.1, None) == 0.1
        assert Backlash(0.0, "both_ways", 0.08).worth_correcting(0.1, 0.1, 0.0) == 0.1

    def test_play_is_learned_from_how_reversals_are_answered(self) -> None:
        gears = Backlash(2.0, "both_ways", 0.15)
        true_play = 5.0
        side = 1.0
        gears.plan(side, 0.1, 0.0)
        for _ in range(20):
            side = -side
            _, slack = gears.plan(side, 0.1, 0.0)
            gears.taken_up(abs(slack))
            # What is lost in the gears remains as an error on the other side.
            missing = true_play - abs(slack)
            gears.observe(-side * missing, Estimate(0.0, 0.1))
        assert gears.play_arcsec == pytest.approx(true_play, abs=0.3)
        assert not gears.one_way

    def test_reversals_that_are_never_answered_make_it_one_way(self) -> None:
        gears = Backlash(0.0, "automatic", 0.15)
        side = 1.0
        gears.plan(side, 0.1, 0.0)
        for _ in range(6):
            side = -side
            wanted, slack = gears.plan(side, 0.1, 0.0)
            gears.taken_up(abs(slack))
            gears.observe(-wanted, Estimate(0.0, 0.1))
        assert gears.one_way
        # The axis drifts north: only moves south are made.
        assert gears.plan(0.5, 0.1, 0.03) == (0.0, 0.0)
        assert gears.plan(-0.5, 0.1, 0.03)[0] < 0.0

    def test_off_is_off_and_a_refused_move_is_taken_back(self) -> None:
        assert Backlash(4.0, "none", 0.15).plan(3.0, 0.1, 0.0) == (0.0, 0.0)
        gears = Backlash(4.0, "both_ways", 0.15)
        gears.plan(1.0, 0.1, 0.0)
        gears.plan(-1.0, 0.1, 0.0)
        gears.take_back()
        assert gears.plan(-1.0, 0.1, 0.0) == (pytest.approx(-0.3), -4.0)
