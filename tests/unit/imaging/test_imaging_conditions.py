"""Star measures under the skies and faults that real frames come with."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.stars import StarMeasures, measure_stars
from midwatch.imaging.stars.trails import find_trails
from support.imaging_truth import Truth, gaussian, render, ring

# Half of a Gaussian's light lies within sqrt(2 ln 2) sigma (closed form).
HALF = 1.17741


def with_light(
    data: NDArray[np.uint16], glow: NDArray[np.float64], seed: int = 4
) -> NDArray[np.uint16]:
    """Add light with its own photon noise."""
    noise = np.random.default_rng(seed).normal(0, 1, glow.shape) * np.sqrt(glow)
    return np.clip(data + glow + noise, 0, 65535).astype(np.uint16)


def line(
    data: NDArray[np.uint16], x: tuple[float, float], y: tuple[float, float], level: float
) -> NDArray[np.uint16]:
    """Draw a trail of Gaussian profile, 3 px wide at half maximum, from end to end."""
    rows, columns = np.mgrid[0 : data.shape[0], 0 : data.shape[1]]
    length = np.hypot(x[1] - x[0], y[1] - y[0])
    ux, uy = (x[1] - x[0]) / length, (y[1] - y[0]) / length
    along = (columns - x[0]) * ux + (rows - y[0]) * uy
    across = (rows - y[0]) * ux - (columns - x[0]) * uy
    light = level * np.exp(-0.5 * (across / 1.27) ** 2) * ((along >= 0) & (along <= length))
    return (data + light).astype(np.uint16)


def found_outside(measures: StarMeasures, truth: Truth, outside: NDArray[np.bool_]) -> bool:
    """Whether all stars outside were found, and at most one thing that is no star."""
    found = measures.stars
    apart = np.hypot(found.x_px[:, None] - truth.x, found.y_px[:, None] - truth.y)
    false = np.count_nonzero(apart.min(axis=1) > 3)
    return bool(np.all(apart[:, outside].min(axis=0) < 2) and outside.sum() > 10 and false <= 1)


@pytest.mark.parametrize("per_mpx", [1200, 4000])
def test_in_a_crowded_field_sharpness_is_that_of_stars_alone(per_mpx: int) -> None:
    truth = render(
        gaussian(1.5), shape=(500, 500), stars=per_mpx // 4, separation=0, border=3,
        flux=(2_000, 100_000), reach=12,
    )  # fmt: skip
    measures = measure_stars(Frame(truth.data))
    assert measures.hfr_px == pytest.approx(HALF * 1.5, rel=0.03)
    assert measures.fwhm_px == pytest.approx(2.35482 * 1.5, rel=0.03)
    assert not measures.trails


@pytest.mark.parametrize("fwhm", [1.5, 2.0, 5.0])
def test_sharp_stars_on_a_mosaic_keep_their_size(fwhm: float) -> None:
    sigma = fwhm / 2.35482
    truth = render(gaussian(sigma), stars=40, separation=30, flux=(20_000, 90_000))
    measures = measure_stars(Frame(truth.data, bayer="GRBG"))
    assert measures.hfr_px == pytest.approx(HALF * sigma, rel=0.05)
    assert measures.fwhm_px == pytest.approx(fwhm, rel=0.05)


@pytest.mark.parametrize("bayer", ["RGGB", "GBRG"])
def test_a_narrow_band_filter_before_a_colour_sensor(bayer: str) -> None:
    colour = np.full((300, 400), 0.02)
    red = bayer.index("R")
    colour[red // 2 :: 2, red % 2 :: 2] = 0.9
    truth = render(gaussian(1.5), flux=(60_000, 250_000), colour=colour, seed=7, sky=300)
    measures = measure_stars(Frame(truth.data, bayer=bayer))
    found = measures.stars
    assert measures.count == pytest.approx(60, abs=1)
    assert measures.fwhm_px == pytest.approx(2.35482 * 1.5, rel=0.05)
    apart = np.hypot(found.x_px[:, None] - truth.x, found.y_px[:, None] - truth.y)
    nearest = apart.argmin(axis=1)
    # Without a correction all stars would lie half a pixel off along both axes.
    assert np.median(found.x_px - truth.x[nearest]) == pytest.approx(0.0, abs=0.06)
    assert np.median(found.y_px - truth.y[nearest]) == pytest.approx(0.0, abs=0.06)


def test_moonlight_is_a_gradient_and_changes_no_star() -> None:
    truth = render(gaussian(1.5), flux=(20_000, 100_000))
    rows, columns = np.mgrid[0:300, 0:400]
    measures = measure_stars(Frame(with_light(truth.data, 1.0 * columns + 0.5 * rows)))
    assert measures.count == 60
    assert measures.gradient_x_adu == pytest.approx(400, rel=0.03)
    assert measures.gradient_y_adu == pytest.approx(150, rel=0.06)
    assert measures.hfr_px == pytest.approx(HALF * 1.5, rel=0.03)
    left, right = measures.zones[3].background_adu, measures.zones[5].background_adu
    assert right - left == pytest.approx(400 * 2 / 3, rel=0.05)


def test_the_glow_of_an_amplifier_is_no_star_and_no_trail() -> None:
    truth = render(gaussian(1.5), stars=30, flux=(20_000, 100_000))
    rows, columns = np.mgrid[0:300, 0:400]
    glow = 1500 * np.exp(-(400 - columns) / 70) * np.exp(-(((rows - 150) / 100.0) ** 2))
    measures = measure_stars(Frame(with_light(truth.data, glow)))
    assert found_outside(measures, truth, truth.x < 270) and not measures.trails
    assert measures.hfr_px == pytest.approx(HALF * 1.5, rel=0.03)


@pytest.mark.parametrize("angle_deg", [0.0, 35.0])
def test_a_galaxy_that_fills_the_field_is_no_star_and_no_trail(angle_deg: float) -> None:
    truth = render(gaussian(1.5), shape=(500, 500), stars=40, flux=(20_000, 100_000))
    rows, columns = np.mgrid[0:500, 0:500] - 250.0
    turn = np.radians(angle_deg)
    u, v = (
        columns * np.cos(turn) + rows * np.sin(turn),
        rows * np.cos(turn) - columns * np.sin(turn),
    )
    galaxy = 6000 * np.exp(-np.hypot(u / 90.0, v / 22.0))
    measures = measure_stars(Frame(with_light(truth.data, galaxy)))
    # Its core passes for a star; stars over its brightest parts are not told from it.
    assert found_outside(measures, truth, np.abs(v[truth.y.astype(int), truth.x.astype(int)]) > 70)
    assert not measures.trails
    assert measures.hfr_px == pytest.approx(HALF * 1.5, rel=0.04)


@pytest.mark.parametrize("sky", [20_000, 45_000])
def test_twilight_leaves_the_bright_stars(sky: int) -> None:
    truth = render(gaussian(1.5), flux=(40_000, 120_000), sky=sky)
    measures = measure_stars(Frame(truth.data))
    assert measures.count == 60
    assert measures.background_adu == pytest.approx(sky + 100, rel=0.01)
    assert measures.hfr_px == pytest.approx(HALF * 1.5, rel=0.05)


def test_clouds_leave_few_stars_and_no_false_ones() -> None:
    truth = render(gaussian(1.5), flux=(20_000, 100_000), sky=3000)
    rows, columns = np.mgrid[0:300, 0:400]
    through = 0.005 + 0.6 * (columns > 200)
    # Half of the frame behind a thick cloud that is itself lit.
    clouded = through * (truth.data - 3100.0) + 3100 + 200 * np.sin(columns / 60 + rows / 90)
    measures = measure_stars(Frame(clouded.astype(np.uint16)))
    apart = np.hypot(
        measures.stars.x_px[:, None] - truth.x, measures.stars.y_px[:, None] - truth.y
    ).min(axis=1)
    assert np.all(apart < 2)
    left = sum(zone.count for zone in measures.zones if zone.column == 0)
    right = sum(zone.count for zone in measures.zones if zone.column == 2)
    assert left == 0 and right == pytest.approx(np.count_nonzero(truth.x > 266), abs=1)


def test_rings_in_a_field_with_a_trail_and_hot_pixels() -> None:
    truth = render(
        ring(10, 3.5), shape=(300, 400), stars=12, separation=60, border=50,
        flux=(150_000, 400_000), reach=14,
    )  # fmt: skip
    data = line(truth.data, (0, 399), (30, 220), 300.0)
    rng = np.random.default_rng(9)
    data[rng.integers(0, 300, 40), rng.integers(0, 400, 40)] = 40_000
    measures = measure_stars(Frame(data))
    assert measures.hfr_px == pytest.approx(7.4917, rel=0.04)  # R sqrt((1 + 0.35^2) / 2)
    assert len(measures.trails) == 1


@pytest.mark.parametrize("bayer", [None, "RGGB"])
@pytest.mark.parametrize(
    ("x", "y"),
    [
        ((0, 599), (100, 300)),
        ((500, 120), (0, 399)),
        ((150, 450), (330, 60)),
        ((0, 599), (200, 220)),
    ],
)
def test_a_trail_is_found_with_its_place_and_length(
    x: tuple[int, int], y: tuple[int, int], bayer: str | None
) -> None:
    truth = render(gaussian(1.5), shape=(400, 600), stars=80, flux=(3_000, 100_000))
    measures = measure_stars(Frame(line(truth.data, x, y, 250.0), bayer=bayer))
    (trail,) = measures.trails
    assert trail.length_px == pytest.approx(np.hypot(x[1] - x[0], y[1] - y[0]), rel=0.06)
    ends = {(trail.x0_px, trail.y0_px), (trail.x1_px, trail.y1_px)}
    for end in zip(x, y, strict=True):
        assert min(np.hypot(end[0] - u, end[1] - v) for u, v in ends) < 25


def test_trails_that_cross_are_two() -> None:
    data = render(gaussian(1.5), shape=(400, 600), stars=30).data
    crossed = line(line(data, (0, 599), (60, 350), 200.0), (0, 599), (370, 90), 200.0)
    assert len(measure_stars(Frame(crossed)).trails) == 2


def test_noise_stars_and_defects_of_the_sensor_are_no_trails() -> None:
    for seed in range(3):
        truth = render(gaussian(1.4), shape=(400, 600), stars=150, separation=8, reach=9, seed=seed)
        assert not measure_stars(Frame(truth.data)).trails
    data = truth.data.copy()
    data[:, 300] += 2000
    assert not measure_stars(Frame(data)).trails
    assert find_trails(np.zeros((20, 30), np.float32)) == ()


def test_stars_drawn_out_by_the_mount_are_stars_and_no_trails() -> None:
    truth = render(gaussian(6.0, 1.5), shape=(400, 600), stars=40, separation=50, border=45,
                   flux=(100_000, 400_000))  # fmt: skip
    measures = measure_stars(Frame(truth.data))
    assert measures.count == len(truth.x) and not measures.trails
