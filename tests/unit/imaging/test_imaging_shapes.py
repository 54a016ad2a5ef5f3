"""How long stars read, against the ellipses that were rendered: closed forms, no source needed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.stars import StarMeasures, measure_stars
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.grading import LightFrame
from midwatch_plugins.graders.baseline import Baseline
from support.imaging_truth import FloatArray, elliptic, mosaic, render


def seen(
    stamp: Callable[..., FloatArray], bayer: str | None, light_e: float, reach: int, stars: int = 10
) -> StarMeasures:
    shape = (200, 300)
    truth = render(
        stamp, shape=shape, stars=stars, separation=2.2 * reach, border=reach + 4, reach=reach,
        flux=(0.5 * light_e, 3.0 * light_e),
        colour=None if bayer is None else mosaic(shape, bayer),
    )  # fmt: skip
    return measure_stars(Frame(truth.data, bayer=bayer))


def off_deg(measures: StarMeasures, angle_deg: float) -> float:
    return abs((measures.elongation_deg - angle_deg + 90) % 180 - 90)


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize(
    ("fwhm", "ratio", "angle_deg", "beta"),
    [
        (1.4, 1.3, 0.0, None),
        (1.4, 2.0, 30.0, None),
        (1.4, 3.0, 90.0, 3.0),
        (2.0, 1.5, -60.0, 2.5),
        (2.0, 3.0, 45.0, None),
        (3.0, 2.0, 110.0, 3.0),
        (3.0, 3.0, 0.0, None),
        (6.0, 1.3, 70.0, None),
        (6.0, 2.0, 20.0, 3.5),
    ],
)
def test_stars_read_as_long_as_they_are(
    fwhm: float, ratio: float, angle_deg: float, beta: float | None, bayer: str | None
) -> None:
    stamp = elliptic(fwhm, ratio, angle_deg, beta, n=9 if fwhm < 2 else 5)
    measures = seen(stamp, bayer, 12_000 * fwhm**2 * ratio, int(5 + 1.5 * fwhm * ratio))
    assert measures.elongation == pytest.approx(ratio, rel=0.05)
    assert off_deg(measures, angle_deg) < 3.0
    # A round profile fitted to them is a quarter narrower than both axes at a ratio of 3.
    assert measures.fwhm_px == pytest.approx(fwhm * np.sqrt(ratio), rel=0.03)


@pytest.mark.parametrize("bayer", [None, "GRBG"])
@pytest.mark.parametrize("fwhm", [1.4, 2.5, 5.0])
def test_round_stars_read_round(fwhm: float, bayer: str | None) -> None:
    measures = seen(elliptic(fwhm, 1.0, 0.0, 3.5, n=9), bayer, 12_000 * fwhm**2, 14)
    assert measures.elongation < 1.03


# Radii of the circles that hold half of the light of these Gaussians, integrated over all angles.
@pytest.mark.parametrize(
    ("fwhm", "ratio", "hfr_px"), [(1.4, 3.0, 1.370), (2.0, 2.0, 1.479), (2.0, 3.0, 1.958)]
)
def test_sharp_stars_of_a_mosaic_keep_their_half_flux_radius(
    fwhm: float, ratio: float, hfr_px: float
) -> None:
    measures = seen(elliptic(fwhm, ratio, 30.0, n=9), "RGGB", 12_000 * fwhm**2 * ratio, 14)
    assert measures.hfr_px == pytest.approx(hfr_px, rel=0.07)


def test_zones_read_as_long_as_the_frame() -> None:
    measures = seen(elliptic(1.8, 1.8, 40.0, 3.5, n=5), "RGGB", 60_000, 8, stars=40)
    ratios = [zone.elongation for zone in measures.zones if np.isfinite(zone.elongation)]
    assert len(ratios) == 9
    assert np.median(ratios) == pytest.approx(1.8, rel=0.05)


def test_the_table_has_the_single_stars_without_kernel_and_pixel() -> None:
    measures = seen(elliptic(3.0, 2.0, 25.0), None, 150_000, 14)
    assert np.median(measures.stars.axis_ratio) == pytest.approx(2.0, rel=0.05)


# Second moments of an even trail of length L are L^2 / 12: of stars of FWHM 2.5 px, sigma 1.06 px,
# a trail of 5 px is 1.68 times as long as wide.
@pytest.mark.parametrize("bayer", [None, "RGGB"])
def test_a_trail_of_five_pixels_is_seen_and_rejected(bayer: str | None) -> None:
    measures = seen(elliptic(2.5, 1.0, 25.0, 3.0, trail_px=5.0, n=5), bayer, 150_000, 14, 6)
    assert measures.elongation == pytest.approx(1.68, rel=0.05)
    light = LightFrame(
        target="M 3", filter="L", exposure_s=60.0, guided=False, exposure_id="trailed",
        stars=100, elongation=measures.elongation,
    )  # fmt: skip
    verdict = Baseline().grade(light, (), GradingSettings())
    assert verdict.grade == "rejected"


def test_neighbours_and_a_hot_pixel_change_little() -> None:
    shape = (200, 300)
    truth = render(elliptic(2.5, 1.6, 60.0, 3.5, n=5), shape=shape, stars=40, separation=9,
                   border=10, reach=9, flux=(20_000, 200_000))  # fmt: skip
    data = truth.data.copy()
    data[(truth.y[:15] + 3).astype(int), truth.x[:15].astype(int)] = 20_000
    assert measure_stars(Frame(data)).elongation == pytest.approx(1.6, rel=0.05)
