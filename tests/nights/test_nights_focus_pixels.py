"""Focus runs on rendered frames, through a simulated focuser and camera."""

from __future__ import annotations

import pytest

from support.focus_truth import PIXEL_BEST, pixel_optics, pixel_run


@pytest.mark.parametrize(
    ("rig", "off_zones", "most"),
    [("harrier", 0.6, 9), ("wren", 2.5, 9), ("wren", 20.0, 11), ("obstructed", -20.0, 11)],
)
def test_focus_is_found_within_a_quarter_of_the_zone(rig: str, off_zones: float, most: int) -> None:
    verdict = pixel_run(rig, off_zones, 4).verdict
    assert verdict is not None
    assert verdict.best_position is not None
    away = abs(verdict.best_position - PIXEL_BEST) / pixel_optics(rig).zone_steps
    assert away < 0.25
    assert verdict.exposures <= most
