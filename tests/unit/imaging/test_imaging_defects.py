"""Hot pixels and tracks of cosmic rays among stars, and without any."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.stars import StarMeasures, measure_stars
from support.imaging_truth import Truth, moffat, mosaic, render

SHAPE = (300, 400)


def with_hot(data: NDArray[np.uint16], share: float) -> NDArray[np.uint16]:
    """Add hot pixels of all strengths, a few of them very strong."""
    rng = np.random.default_rng(6)
    hot = data.astype(float)
    count = int(share * data.size)
    hot.reshape(-1)[rng.integers(0, data.size, count)] += 200 + 3000 * rng.pareto(1.2, count)
    return np.clip(hot, 0, 65535).astype(np.uint16)


def with_tracks(data: NDArray[np.uint16], count: int) -> NDArray[np.uint16]:
    """Add straight tracks of some pixels' length, in any direction."""
    rng = np.random.default_rng(7)
    image = data.astype(float)
    for _ in range(count):
        turn, length = rng.uniform(0, np.pi), rng.exponential(4.0)
        along = rng.uniform(0, length, 200)
        x = rng.uniform(20, data.shape[1] - 20) + along * np.cos(turn) + rng.normal(0, 0.15, 200)
        y = rng.uniform(20, data.shape[0] - 20) + along * np.sin(turn) + rng.normal(0, 0.15, 200)
        light = rng.uniform(300, 6000) * (1 + length / 2)
        at = (np.clip(y.astype(int), 0, SHAPE[0] - 1), np.clip(x.astype(int), 0, SHAPE[1] - 1))
        np.add.at(image, at, light / 200)
    return np.clip(image, 0, 65535).astype(np.uint16)


def field(fwhm: float, bayer: str | None) -> Truth:
    return render(
        moffat(fwhm, 3.0), shape=SHAPE, stars=40, flux=(3_000 * fwhm, 60_000 * fwhm), reach=14,
        colour=None if bayer is None else mosaic(SHAPE, bayer),
    )  # fmt: skip


def false_and_lost(measures: StarMeasures, truth: Truth) -> tuple[int, int]:
    stars = measures.stars
    apart = np.hypot(stars.x_px[:, None] - truth.x, stars.y_px[:, None] - truth.y)
    return int((apart.min(axis=1) > 3).sum()), int((apart.min(axis=0) > 3).sum())


@pytest.mark.parametrize(("bayer", "share"), [(None, 0.001), (None, 0.01), ("RGGB", 0.001)])
def test_hot_pixels_of_a_frame_without_stars_are_none(bayer: str | None, share: float) -> None:
    sky = np.random.default_rng(3).normal(500.0, 12.0, SHAPE).round().astype(np.uint16)
    assert measure_stars(Frame(with_hot(sky, share), bayer=bayer)).count == 0


@pytest.mark.parametrize("bayer", [None, "GRBG"])
@pytest.mark.parametrize("fwhm", [1.4, 2.0, 4.0])
def test_among_hot_pixels_stars_keep_number_and_size(fwhm: float, bayer: str | None) -> None:
    truth = field(fwhm, bayer)
    clean = measure_stars(Frame(truth.data, bayer=bayer))
    hot = measure_stars(Frame(with_hot(truth.data, 0.01), bayer=bayer))
    false, lost = false_and_lost(hot, truth)
    assert false == 0 and lost <= 3
    assert hot.hfr_px == pytest.approx(clean.hfr_px, rel=0.03)
    assert hot.elongation < 1.05


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize("fwhm", [2.0, 4.0])
def test_tracks_of_cosmic_rays_are_no_stars(fwhm: float, bayer: str | None) -> None:
    """Fifty times as many as in five minutes; without the check four in five passed for stars."""
    truth = field(fwhm, bayer)
    clean = measure_stars(Frame(truth.data, bayer=bayer))
    struck = measure_stars(Frame(with_tracks(truth.data, 60), bayer=bayer))
    false, lost = false_and_lost(struck, truth)
    assert false <= 3 and lost <= 2
    assert struck.hfr_px == pytest.approx(clean.hfr_px, rel=0.02)
    assert struck.fwhm_px == pytest.approx(clean.fwhm_px, rel=0.02)


def test_more_tracks_than_stars_do_not_pass_for_the_stars() -> None:
    truth = field(4.0, None)
    measures = measure_stars(Frame(with_tracks(truth.data, 200)))
    assert false_and_lost(measures, truth)[0] <= 4
    assert measures.fwhm_px == pytest.approx(4.0, rel=0.03)


@pytest.mark.parametrize("bayer", [None, "BGGR"])
@pytest.mark.parametrize("fwhm", [1.2, 1.4, 3.0])
def test_no_star_of_a_clean_frame_is_taken_for_a_defect(fwhm: float, bayer: str | None) -> None:
    truth = field(fwhm, bayer)
    measures = measure_stars(Frame(truth.data, bayer=bayer))
    assert false_and_lost(measures, truth) == (0, 0)
