"""Nights in which stars grow for another reason than cold: a tube slides, a guider swings."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_nights import FaultNight, rehearsed, undisturbed, utc_s

FRAME_S = 120.0
# Half-flux radius of stars in focus is 0.9 to 1.0 px in these nights; at half as much again a frame
# is worth a third of its time for faint stars: common practice, no source.
SHARP_PX = 1.3


def runs_during(night: FaultNight) -> list[tuple[float, object]]:
    return [(at_s, run) for at_s, run in night.of("focus_run")
            if night.began_s < at_s < night.ended_s]  # fmt: skip


def test_a_tube_that_slides_between_the_focus_run_and_the_first_light_is_focused_again(
    tmp_path: Path,
) -> None:
    """The run ends at 19:40, the first light begins at dusk, five minutes later."""
    night = rehearsed(tmp_path, "focuser-slips@19:42")
    first, second = night.of("focus_run")[:2]
    assert (first[1].trigger, second[1].trigger) == ("first", "hfr")
    assert second[1].ok
    assert second[0] <= utc_s(night.lights[1].began), "after a single light"
    blurred = [f for f in night.lights if f.hfr_px is not None and f.hfr_px > SHARP_PX]
    assert len(blurred) == 1
    assert blurred[0].grade != "accepted"
    assert undisturbed().integration_s - night.integration_s <= 3 * FRAME_S
    night.check_promises()


@pytest.mark.parametrize("seed", [1, 2])
def test_no_focus_is_taken_from_stars_that_a_swinging_guider_has_drawn_out(
    seed: int, tmp_path: Path
) -> None:
    """A run is due for the cold meanwhile, at 20:29; large stars must not ask for one."""
    night = rehearsed(tmp_path, "guide-overcorrection@20:26+8m", seed=seed)
    runs = night.of("focus_run")
    assert [run.ok for _, run in runs_during(night)] in ([], [False])
    assert all("guiding was off" in run.reason for _, run in runs if not run.ok)
    assert "hfr" not in {run.trigger for _, run in runs}
    positions = {f.focus_position for f in night.during()}
    assert positions == {runs[0][1].best_position}, "it stays where focus was found"
    assert runs[-1][1].ok
    night.check_promises()
    night.check_rest()
