"""Star sizes since the last focus run, freed of air mass, guiding and a seeing already excused."""

from __future__ import annotations

import math

import pytest

from midwatch.journal.facts import FocusRun, FrameBegun, FrameGraded
from midwatch.journal.record import FocusMoment, FrameRecord
from midwatch.journal.record.record_parts import FocusSettled
from midwatch.learning import SizeScale, size_ratios
from midwatch.sky import airmass

# A sharp scope on small pixels: nearly all of the size is the air's.
SCALE = SizeScale(zone_steps=65.0, arcsec_per_px=1.0, sharpest_px=0.1)


def light(
    at_s: float, hfr_px: float | None, altitude_deg: float = 90.0, rms: float | None = None,
    name: str = "L", grade: str = "accepted", target: str = "A", elongation: float = 1.0,
    lost_percent: float = 0.0,
) -> FrameRecord:  # fmt: skip
    begun = FrameBegun(
        exposure_id=str(at_s), frame="light", target=target, order_index=0, filter=name,
        exposure_s=300.0, gain=0, offset=0, binning=1,
    )  # fmt: skip
    graded = FrameGraded(
        exposure_id=str(at_s), grade=grade, hfr_px=hfr_px, altitude_deg=altitude_deg,
        guide_rms_arcsec=rms, elongation=elongation, guide_lost_percent=lost_percent,
    )  # fmt: skip
    return FrameRecord(at_s, begun, graded=graded)


def run(
    at_s: float, best: int, trigger: str = "defocus", before: int | None = None,
    best_hfr_px: float | None = 2.0,
) -> FocusMoment:  # fmt: skip
    fact = FocusRun(
        positions=(), hfr_px=(), filter="L", temperature_c=5.0, ok=True, reason="",
        trigger=trigger, best_position=best, uncertainty_steps=3.0, best_hfr_px=best_hfr_px,
    )  # fmt: skip
    settled = None if before is None else FocusSettled(before, 5.0, "L")
    return FocusMoment(at_s, fact, settled)


def ratios(*lights: FrameRecord, runs: tuple[FocusMoment, ...] = (run(0.0, 1000),)) -> list[float]:
    return list(size_ratios(lights, runs, SCALE))


def test_later_lights_are_compared_with_the_first_two_accepted() -> None:
    found = ratios(light(1, 2.0), light(2, 2.6, grade="rejected"), light(3, 2.2), light(4, 2.1),
                   light(5, 2.52), light(6, None))  # fmt: skip
    assert found == pytest.approx([1.0, 1.2], rel=1e-6)
    assert ratios(light(1, 2.0)) == []


def test_the_air_mass_is_allowed_for_to_the_power_0_6() -> None:
    """Kolmogorov turbulence: stars 1.516 times as large at twice the air mass (2 ** 0.6)."""
    altitude = next(a / 100.0 for a in range(9000, 2000, -1) if airmass(a / 100.0) >= 2.0)
    low = light(3, 2.0 * 2.0**0.6, altitude)
    assert ratios(light(1, 2.0), light(2, 2.0), low) == pytest.approx([1.0], abs=0.005)


def test_what_the_optics_make_does_not_grow_with_the_air_mass() -> None:
    """Half of the square by the optics: 2.0 grows to sqrt(2 + 2 x 2 ** 1.2) (arithmetic)."""
    altitude = next(a / 100.0 for a in range(9000, 2000, -1) if airmass(a / 100.0) >= 2.0)
    scale = SizeScale(65.0, 1.0, math.sqrt(2.0))
    lights = [light(1, 2.0), light(2, 2.0), light(3, math.sqrt(2.0 + 2.0 * 2.0**1.2), altitude)]
    assert size_ratios(lights, [run(0.0, 1000)], scale) == pytest.approx((1.0,), abs=0.005)


def test_guiding_is_allowed_for() -> None:
    """1 arcsec of total RMS, half of its square on each axis: 1.386 x 0.5 px^2 in the square."""
    shaken = math.sqrt(2.0**2 + 2.0 * math.log(2.0) * 0.5)
    found = ratios(light(1, 2.0, rms=0.0), light(2, 2.0, rms=0.0), light(3, shaken, rms=1.0))
    assert found == pytest.approx([1.0], abs=1e-6)


def test_every_filter_and_target_has_its_own_first_lights() -> None:
    found = ratios(
        light(1, 2.0), light(2, 3.0, name="Ha"), light(3, 2.0), light(4, 3.0, name="Ha"),
        light(5, 3.3, name="Ha"), light(6, 2.6, target="B"), light(7, 2.0),
    )  # fmt: skip
    assert found == pytest.approx([1.1, 1.0])


def test_a_run_begins_again_and_a_run_after_the_last_light_leaves_nothing() -> None:
    lights = [light(1, 2.0), light(2, 2.0), light(3, 3.0), light(11, 2.6), light(12, 2.6),
              light(13, 2.6)]  # fmt: skip
    moved = run(10.0, 1100, before=1000)
    assert ratios(*lights, runs=(run(0.0, 1000), moved)) == pytest.approx([1.0])
    assert ratios(*lights[:3], runs=(run(0.0, 1000), moved)) == []


def test_seeing_that_a_run_has_shown_not_to_be_focus_does_not_ask_again() -> None:
    """Stars grew by half, the run found focus where it was; the seeing calms, and comes back."""
    lights = [light(1, 2.0), light(2, 2.0), light(3, 3.0), light(4, 3.0), light(5, 3.0),
              light(11, 2.0), light(12, 2.0), light(13, 3.0)]  # fmt: skip
    found_nothing = run(10.0, 1005, "hfr", before=1000)
    assert ratios(*lights, runs=(run(0.0, 1000), found_nothing)) == pytest.approx([1.0])
    # A run that did move had a reason: growth counts from its own first lights.
    found_focus = run(10.0, 1060, "hfr", before=1000)
    assert ratios(*lights, runs=(run(0.0, 1000), found_focus)) == pytest.approx([1.5])
    by_the_clock = run(10.0, 1005, "focus_age", before=1000)
    assert ratios(*lights, runs=(run(0.0, 1000), by_the_clock)) == pytest.approx([1.5])


def test_a_first_light_far_larger_than_the_best_frame_of_the_run_has_leapt() -> None:
    """The tube has slid before the first light: no light from before tells it."""
    slid = [light(1, 4.0, grade="rejected"), light(2, 4.0)]
    assert ratios(*slid) == pytest.approx([2.0, 2.0])
    # Gusts in a long exposure, another filter, a light an hour later, a run that told no size.
    assert ratios(light(1, 2.8)) == []
    assert ratios(light(1, 4.0, name="Ha")) == []
    assert ratios(light(3600, 4.0)) == []
    assert ratios(light(1, 4.0), runs=(run(0.0, 1000, best_hfr_px=None),)) == []


def test_a_first_light_does_not_ask_for_a_run_again_that_has_found_nothing() -> None:
    found_nothing = run(10.0, 1005, "hfr", before=1000)
    lights = [light(1, 4.0), light(11, 4.0), light(12, 4.0), light(13, 4.0)]
    assert ratios(*lights, runs=(run(0.0, 1000), found_nothing)) == pytest.approx([1.0])
    found_focus = run(10.0, 1060, "hfr", before=1000)
    assert ratios(*lights, runs=(run(0.0, 1000), found_focus)) == pytest.approx([2.0, 2.0, 2.0])


@pytest.mark.parametrize("trailed", [{"rms": 1.3}, {"elongation": 1.45}, {"lost_percent": 9.0}])
def test_trailed_stars_say_nothing_of_focus(trailed: dict[str, float]) -> None:
    """Bounds of the rig file are 1.5 px, 1.5 and 10 percent; near them stars are large already."""
    assert ratios(light(1, 2.0), light(2, 2.0), light(3, 4.0, **trailed)) == []
    assert ratios(light(1, 4.0, **trailed)) == []


def test_lights_that_cannot_be_compared_are_passed_over() -> None:
    below = light(3, 2.0, altitude_deg=-1.0)
    assert ratios(light(1, 2.0), light(2, 2.0), below, light(4, 2.0)) == pytest.approx([1.0])
    nothing = light(1, 0.0)
    assert all(math.isfinite(r) for r in ratios(nothing, light(2, 0.0), light(3, 1.0)))
