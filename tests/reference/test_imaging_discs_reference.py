"""Stars far out of focus: discs, and rings behind an obstruction, that drown but for fragments."""

from __future__ import annotations

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.stars import measure_stars
from support.imaging_truth import gaussian, moffat, render, ring


def wide(outer_px: float, share: float, seed: int = 1) -> Frame:
    """Rings so faint that their brightest pixels are at one to ten times the noise."""
    area = np.pi * outer_px**2 * (1.0 - share**2)
    truth = render(
        ring(outer_px, share * outer_px), shape=(420, 560), stars=8, separation=2.5 * outer_px,
        border=1.2 * outer_px, reach=int(outer_px) + 2, flux=(60 * area, 250 * area), seed=seed,
    )  # fmt: skip
    return Frame(truth.data)


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize("share", [0.0, 0.35])
def test_rings_have_the_radius_of_geometry(share: float, bayer: str | None) -> None:
    """Half the light of a ring is inside sqrt((1 + share^2) / 2) of its outer radius: geometry."""
    before = 0.0
    for outer_px in (12.0, 30.0):
        found = measure_stars(Frame(wide(outer_px, share).data, bayer=bayer))
        assert found.stars.discs
        assert found.hfr_px == pytest.approx(outer_px * np.sqrt((1 + share**2) / 2), rel=0.05)
        assert found.hfr_px > before
        before = found.hfr_px


@pytest.mark.parametrize("fwhm_px", [2.0, 9.0])
def test_stars_in_focus_are_no_discs_however_wide(fwhm_px: float) -> None:
    for stamp in (gaussian(fwhm_px / 2.35482), moffat(fwhm_px, 2.5)):
        truth = render(
            stamp, shape=(420, 560), stars=9, separation=70, border=50, reach=40,
            flux=(2_000 * fwhm_px**2, 9_000 * fwhm_px**2),
        )  # fmt: skip
        assert not measure_stars(Frame(truth.data)).stars.discs


def test_small_full_stars_and_one_round_patch_are_no_discs() -> None:
    truth = render(
        gaussian(4.0), shape=(300, 400), stars=6, separation=60, flux=(2e7, 6e7), reach=28
    )
    assert not measure_stars(Frame(truth.data)).stars.discs
    patch = render(ring(30.0, 0.0), shape=(300, 400), stars=1, border=60, flux=(5e5, 5e5), reach=32)
    assert not measure_stars(Frame(patch.data)).stars.discs
