"""Focus against temperature, as learned from runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.learning import FocusMemory, FocusScale
from midwatch.learning.focus_model import FocusModel, fit_focus_model
from midwatch.learning.focus_points import FocusPoint, tube_shift_um_per_c
from midwatch.learning.probe_history import at_rest
from support.journal_story import as_events

SCALE = FocusScale(zone_steps=65.0, slope_sigma=20.0, declared={"L": 0, "B": 12})


def runs(
    slope: float, temperatures: list[float], night: str = "1", at_zero: float = 15_000.0,
    name: str | None = "L", offset: float = 0.0, noise: float = 0.0, seed: int = 1,
) -> list[FocusPoint]:  # fmt: skip
    rng = np.random.default_rng(seed)
    return [
        FocusPoint(night, name, t, at_zero + slope * t + offset + noise * rng.normal(), 4.0)
        for t in temperatures
    ]


def tried(points: list[FocusPoint], night: str = "1") -> FocusModel:
    """The model after runs each of which was foretold by those before it."""
    kept: list[FocusPoint] = []
    for point in points:
        foretold = fit_focus_model(kept, point.night, SCALE).predict(point.felt, point.filter)
        kept.append(replace(point, foretold=None if foretold is None else foretold[0]))
    return fit_focus_model(kept, night, SCALE)


def test_the_scale_of_a_rig_before_anything_is_learned() -> None:
    # 4.88 lambda N^2 at f/6 and 550 nm: 96.6 um; geometry: blur = Airy disc (from memory).
    scale = FocusScale.of_rig(480.0, 80.0, 0.5, 100, {})
    assert scale.zone_steps == pytest.approx(0.5 * 96.6, abs=0.05)
    # Twice the shift of the tube, in steps.
    assert scale.slope_sigma == pytest.approx(11.09, abs=0.005)
    # Without steps_per_um the distance of samples stands for the zone.
    assert FocusScale.of_rig(480.0, 80.0, None, 90, {}).zone_steps == pytest.approx(90.0)
    # Aluminium 23.1e-6 /K (handbook value, from memory) times 480 mm: arithmetic.
    assert tube_shift_um_per_c(480.0) == pytest.approx(11.09, abs=0.005)


def test_the_worked_example_of_a_thermal_slope() -> None:
    """-12 steps a degree: from 14.0 to 9.5 degC focus goes out by 54 steps (arithmetic)."""
    model = tried(runs(-12.0, [16.0, 14.0, 12.0, 10.5, 9.5]))
    assert model.trusted
    warm, cold = model.predict(at_rest(14.0), "L"), model.predict(at_rest(9.5), "L")
    assert warm is not None
    assert cold is not None
    assert cold[0] - warm[0] == pytest.approx(54.0, abs=0.5)


def test_nothing_learned_is_said_and_has_the_width_of_the_prior() -> None:
    model = fit_focus_model([], "1", SCALE)
    assert not model.trusted
    assert model.predict(at_rest(5.0), "L") is None
    # No movement is expected, and that of the prior is possible: 20 steps a degree.
    assert model.shift(at_rest(7.0), at_rest(5.0)) == (0.0, pytest.approx(40.0))
    one = fit_focus_model(runs(25.0, [5.0]), "1", SCALE)
    assert not one.trusted
    near = one.predict(at_rest(5.0), "L")
    assert near is not None
    assert near[0] == pytest.approx(15_125.0)
    far = one.predict(at_rest(10.0), "L")
    assert far is not None
    # The slope may be anything within its prior: 20 steps over 5 degrees.
    assert far[1] == pytest.approx(100.0, rel=0.01)


@pytest.mark.parametrize(
    ("temperatures", "why"),
    [
        ([6.0, 3.0, 0.0], "fewer than 4 runs"),
        # Nothing has moved: whatever was foretold has come true.
        ([6.0, 5.9, 5.8, 5.7, 5.6], "no run has tried its predictions"),
    ],
)
def test_what_was_not_tried_is_not_trusted(temperatures: list[float], why: str) -> None:
    model = tried(runs(25.0, temperatures))
    assert not model.trusted
    assert why in model.verdict


def test_a_line_through_many_runs_is_not_trusted_before_it_has_foretold_one() -> None:
    points = runs(25.0, [8.0, 6.0, 4.0, 2.0, 0.0])
    assert not fit_focus_model(points, "1", SCALE).trusted
    assert tried(points).trusted


def test_runs_that_scatter_are_not_trusted_however_many() -> None:
    model = tried(runs(25.0, [8.0 - 0.4 * i for i in range(12)], noise=120.0))
    assert not model.trusted
    assert "predictions confirmed" in model.verdict


def test_a_prediction_that_fails_ends_trust_until_two_come_true_again() -> None:
    # Two degrees are 50 of 65 steps: each run tells something. A fifth of the zone is 13 steps.
    points = runs(25.0, [12.0, 10.0, 8.0, 6.0, 4.0])
    assert tried(points).trusted
    lost = [*points, FocusPoint("1", "L", 2.0, points[-1].position + 20.0, 4.0)]
    assert not tried(lost).trusted
    later = runs(25.0, [0.0, -2.0, -4.0, -6.0, -8.0])
    assert not tried([*lost, *later[:1]]).trusted
    assert tried([*lost, *later]).trusted


def test_the_slope_and_its_error_are_those_of_scipy() -> None:
    """Ordinary least squares of one night (scipy.stats.linregress), the prior made weak."""
    from scipy.stats import linregress

    points = runs(25.0, [8.0 - 0.5 * i for i in range(16)], noise=2.0)
    weak = FocusScale(65.0, 1e6, {"L": 0})
    model = fit_focus_model(points, "1", weak)
    reference = linregress([p.temperature_c for p in points], [p.position for p in points])
    assert model.slope_steps_per_c == pytest.approx(reference.slope, rel=1e-6)
    # Its runs scatter less than they claim (5.2 steps): the claim is what counts.
    span = np.sum((np.array([p.temperature_c for p in points]) - 4.25) ** 2)
    claimed = np.hypot(4.0, 0.05 * 65.0) / np.sqrt(span)
    assert model.slope_sigma == pytest.approx(claimed, rel=1e-3)
    assert model.slope_sigma > reference.stderr


def test_the_error_of_the_slope_holds_in_two_thirds_of_cases() -> None:
    inside = 0
    for seed in range(60):
        sigma = float(np.hypot(4.0, 0.05 * 65.0))
        points = runs(25.0, [6.0, 5.0, 3.5, 2.0, 0.5, -1.0], noise=sigma, seed=seed)
        model = fit_focus_model(points, "1", SCALE)
        inside += abs(model.slope_steps_per_c - 25.0) < model.slope_sigma
    # 68 percent of 60 are 41; binomial spread 3.6.
    assert 31 <= inside <= 54


def test_one_run_that_locked_on_a_cloud_does_not_turn_the_line() -> None:
    points = runs(25.0, [6.0, 5.0, 4.0, 3.0, 2.0, 1.0, 0.0], noise=3.0)
    spoiled = [*points, FocusPoint("1", "L", -1.0, points[-1].position + 600.0, 4.0)]
    model = fit_focus_model(spoiled, "1", SCALE)
    assert model.slope_steps_per_c == pytest.approx(25.0, abs=4.0)


def test_a_rig_set_up_afresh_keeps_the_slope_and_forgets_the_place() -> None:
    points = runs(25.0, [6.0, 4.0, 2.0, 0.0], "1", noise=3.0)
    points += runs(25.0, [9.0, 8.0, 5.0, 3.0], "2", at_zero=16_400.0, noise=3.0, seed=2)
    assert tried(points, "3").trusted
    model = fit_focus_model(points, "3", SCALE)
    assert model.slope_steps_per_c == pytest.approx(25.0, abs=2.0)
    before = model.predict(at_rest(5.0), "L")
    assert before is not None
    assert before[1] > 100.0  # it has stood in two places 1400 steps apart
    tonight = fit_focus_model([*points, *runs(25.0, [5.0], "3", at_zero=14_000.0)], "3", SCALE)
    after = tonight.predict(at_rest(0.0), "L")
    assert after is not None
    assert after[0] == pytest.approx(14_000.0, abs=12.0)
    assert after[1] < 15.0


def test_declared_offsets_stand_and_missing_ones_are_learned() -> None:
    points = runs(25.0, [6.0, 4.0, 2.0, 0.0], name="L")
    points += runs(25.0, [5.0, 1.0], name="B", offset=12.0)
    points += runs(25.0, [3.0], name="Ha", offset=30.0)
    model = fit_focus_model(points, "1", SCALE)
    assert set(model.filters) == set(model.proposals()) == {"Ha"}
    assert model.filters["Ha"].steps == pytest.approx(30.0, abs=1.0)
    assert model.filter_shift("L", "B") == (12.0, 0.0)
    steps, sigma = model.filter_shift("B", "Ha")
    assert steps == pytest.approx(18.0, abs=1.0)
    assert 3.0 < sigma < 16.25
    assert model.shift_known("B", "Ha")
    assert not model.shift_known("L", "OIII")
    # A declared offset is never replaced, however wrong the runs make it look.
    wrong = FocusScale(65.0, 20.0, {"L": 0, "B": 12, "Ha": 5})
    assert fit_focus_model(points, "1", wrong).filter_shift("L", "Ha") == (5.0, 0.0)


def test_without_any_declaration_filters_are_counted_from_the_most_used() -> None:
    bare = FocusScale(65.0, 20.0)
    points = runs(25.0, [6.0, 4.0, 2.0], name="R") + runs(25.0, [5.0], name="G", offset=-20.0)
    model = fit_focus_model(points, "1", bare)
    steps, _ = model.filter_shift("R", "G")
    assert steps == pytest.approx(-20.0, abs=2.0)
    assert model.filters["R"].steps == 0.0
    assert set(model.proposals()) == {"R", "G"}
    alone = fit_focus_model(points[:3], "1", bare)
    assert alone.filters["R"].runs == 3
    assert alone.proposals() == {}


def test_memory_learns_from_good_runs_alone_and_as_they_come() -> None:
    def run(position: int, temperature_c: float | None, ok: bool = True) -> e.FocusRun:
        return e.FocusRun(
            positions=(), hfr_px=(), filter="L", temperature_c=temperature_c, ok=ok, reason="",
            trigger="first", best_position=position if ok else None, uncertainty_steps=3.0,
            best_hfr_px=1.5,
        )  # fmt: skip

    # Half a day and more between: every body has the air's temperature.
    seen = as_events(
        (0.0, e.Sample(focuser_c=5.0)), (90_000.0, run(15_000, 5.0)),
        (90_001.0, run(9, 5.0, ok=False)), (90_002.0, run(1, None)),
    )  # fmt: skip
    memory = FocusMemory(seen[:2], seen[0].night, SCALE)
    first = memory.model
    assert first.belief is not None
    for event in seen[2:]:
        memory.hear(event)
    assert memory.model is first
    memory.hear(as_events((130_000.0, e.Sample(focuser_c=1.0)))[0])
    memory.hear(as_events((180_000.0, run(14_900, 1.0)))[0])
    assert memory.model.slope_steps_per_c == pytest.approx(25.0, abs=1.0)
