from __future__ import annotations

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.guiding.tracking import HotPixelMap, find_guide_stars
from support.imaging_truth import FloatArray, gaussian, moffat, render

SIGMA = 1.2


def known(*rows: tuple[float, float, float]) -> tuple[FloatArray, FloatArray, FloatArray]:
    x, y, flux = np.array(rows, dtype=float).T
    return x, y, flux


def test_the_brightest_single_whole_stars_away_from_the_edge_are_chosen() -> None:
    truth = render(
        gaussian(SIGMA),
        shape=(200, 240),
        sky=150,
        known=known(
            (60.3, 50.7, 40_000),
            (8.0, 100.0, 90_000),  # at the edge
            (120.4, 60.2, 2_000_000),  # full
            (150.0, 140.0, 50_000),  # a pair
            (155.5, 143.0, 30_000),
            (90.6, 150.1, 20_000),
            (200.2, 40.9, 8_000),
        ),
    )
    field = find_guide_stars(Frame(truth.data), edge_px=20)
    assert field.x_px == pytest.approx([60.3, 90.6, 200.2], abs=0.1)
    assert field.y_px == pytest.approx([50.7, 150.1, 40.9], abs=0.1)
    assert field.fwhm_px == pytest.approx(2.3548 * SIGMA, rel=0.1)
    assert (np.diff(field.snr) < 0).all()


def test_a_pair_is_taken_when_there_is_nothing_else() -> None:
    truth = render(
        gaussian(SIGMA),
        shape=(120, 120),
        known=known((60.0, 60.0, 50_000), (68.0, 60.0, 40_000)),
    )
    assert len(find_guide_stars(Frame(truth.data))) == 2


def test_no_more_than_asked_for_and_none_on_an_empty_sky() -> None:
    truth = render(moffat(3.0, 3.0), shape=(240, 300), stars=20, seed=4)
    assert len(find_guide_stars(Frame(truth.data), most=5)) == 5
    empty = np.random.default_rng(1).normal(500, 9, (120, 160)).astype(np.uint16)
    assert len(find_guide_stars(Frame(empty))) == 0


def test_hot_pixels_are_never_chosen_without_a_map() -> None:
    rng = np.random.default_rng(8)
    for seed in range(4):
        truth = render(gaussian(SIGMA), shape=(160, 200), stars=5, seed=seed)
        data = truth.data.copy()
        rows, columns = rng.integers(20, 140, 40), rng.integers(20, 180, 40)
        data[rows, columns] = rng.integers(3_000, 60_000, 40)
        field = find_guide_stars(Frame(data))
        away = np.hypot(field.x_px[:, None] - truth.x, field.y_px[:, None] - truth.y)
        assert len(field) >= 2
        assert away.min(axis=1).max() < 0.5


def with_warm_clusters(truth_data: np.ndarray) -> np.ndarray:
    """Add blobs of hot pixels as wide as a star, which no shape gives away."""
    data = truth_data.astype(np.int64)
    for row, column in ((50, 60), (110, 150)):
        along = np.array((1_600, 5_800, 9_000, 5_800, 1_600)) / 130.0
        data[row - 2 : row + 3, column - 2 : column + 3] += np.outer(along, along * 6).astype(int)
    return np.clip(data, 0, 65535).astype(np.uint16)


def test_a_map_learned_while_stars_move_gives_defects_away_that_look_like_stars() -> None:
    x, y = np.array([90.2, 40.0, 160.0]), np.array([80.6, 120.0, 60.0])
    flux = np.array([30_000.0, 20_000.0, 25_000.0])
    hot = HotPixelMap((160, 200))
    for step in range(6):
        truth = render(
            gaussian(SIGMA), shape=(160, 200), known=(x + 3.0 * step, y, flux), seed=step
        )
        last = with_warm_clusters(truth.data)
        assert hot.learn(last, (3.0 * step, 0.0))
    assert not hot.learn(last, (15.5, 0.0)), "the stars have hardly moved"
    before = find_guide_stars(Frame(last))
    after = find_guide_stars(Frame(last), hot=hot)
    assert np.hypot(before.x_px - 60, before.y_px - 50).min() < 1, "a fair test has them chosen"
    assert np.hypot(after.x_px - 60, after.y_px - 50).min() > 10
    assert np.hypot(after.x_px - 150, after.y_px - 110).min() > 10
    assert sorted(after.x_px) == pytest.approx(sorted(x + 15.0), abs=0.2)


def test_stars_that_return_to_their_pixels_do_not_become_hot() -> None:
    x, y = np.array([90.0, 40.0]), np.array([80.0, 120.0])
    hot = HotPixelMap((160, 200))
    for step in (0.0, 4.0, 8.0, 4.0, 0.0, 5.0):
        truth = render(
            gaussian(SIGMA), shape=(160, 200), known=(x + step, y, np.array([4e4, 4e4])), seed=3
        )
        hot.learn(truth.data, (step, 0.0))
    assert len(hot) == 0
    assert hot.clean(truth.data) is truth.data


def test_frames_of_another_shape_teach_nothing() -> None:
    hot = HotPixelMap((40, 50))
    assert not hot.learn(np.zeros((50, 40), np.uint16), (0.0, 0.0))
    assert not hot.mask.any()
