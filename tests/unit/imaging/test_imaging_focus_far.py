"""How a search far from focus finds the side, and what it does not believe."""

from __future__ import annotations

import numpy as np
import pytest

from midwatch.imaging.focus import FocusMeasure, FocusSearch, FocusTask
from midwatch.imaging.focus.samples import FocusSample

TASK = FocusTask(
    start=10_000, step=80, zone_steps=65.0, blur_px=0.87, lowest=80, highest=20_000
)  # fmt: skip


def test_the_first_jump_is_shorter_than_the_way_to_focus() -> None:
    for start_zones in (20.0, -20.0):
        search = FocusSearch(TASK)
        best = 10_000 - start_zones * 65.0
        asked = []
        while (wanted := search.wanted) is not None:
            asked.append(wanted.position)
            hfr = float(np.hypot(1.0, 0.87 / 65.0 * (wanted.position - best)))
            search.inform(FocusMeasure(hfr, None, int(300 / hfr)))
        assert search.verdict is not None
        assert search.verdict.ok
        assert abs(asked[1] - asked[0]) < 10 * 65.0
        assert abs(asked[2] - best) < 4 * 65.0
        assert max(abs(position - best) for position in asked) < 30 * 65.0


def test_few_small_stars_next_to_wide_ones_are_not_believed() -> None:
    """Fragments of rings 40 zones off, of about 10 px, once passed for stars near focus."""
    search = FocusSearch(TASK)
    best = 10_000 + 20 * 65.0
    fragments = []
    while (wanted := search.wanted) is not None:
        away = abs(wanted.position - best) / 65.0
        if away > 25.0:
            fragments.append(wanted.position)
            search.inform(FocusMeasure(4.0, None, 9))
        else:
            hfr = float(np.hypot(1.0, 0.87 * away))
            search.inform(FocusMeasure(hfr, None, int(300 / hfr)))
    assert fragments
    seen = [s for s in search.samples if s.position in fragments]
    assert all(s.measure == FocusMeasure(None, None, 9) for s in seen)
    assert search.verdict is not None
    assert search.verdict.best_position == pytest.approx(best, abs=4)
    assert search.verdict.exposures <= 10


def test_many_sharp_stars_are_believed_wherever_they_are() -> None:
    """A focuser that slipped into focus is not called a liar."""
    search = FocusSearch(TASK)
    search.inform(FocusMeasure(17.0, None, 18))
    assert search.wanted is not None
    search.inform(FocusMeasure(1.1, None, 260))
    assert search.samples[-1] == FocusSample(
        search.samples[-1].position, FocusMeasure(1.1, None, 260)
    )
