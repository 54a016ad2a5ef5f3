from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.frame import luminance
from midwatch.imaging.stars import StarMeasures, StarTable, measure_stars
from midwatch.imaging.stars.profile import fit_fwhm
from support.imaging_truth import gaussian, moffat, render, ring


def sky(
    shape: tuple[int, int] = (200, 240), level: float = 500.0, seed: int = 3
) -> NDArray[np.uint16]:
    return np.random.default_rng(seed).normal(level, 12.0, shape).round().astype(np.uint16)


def offsets(
    found: StarTable, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance from each found star to the nearest true one."""
    return np.hypot(found.x_px[:, None] - x, found.y_px[:, None] - y).min(axis=1)


def test_no_star_is_seen_on_empty_sky_and_the_noise_is_right() -> None:
    measures = measure_stars(Frame(sky()), scale_arcsec=2.0)
    assert measures.count == 0 and len(measures.stars) == 0
    assert measures.background_adu == pytest.approx(500.0, abs=1.0)
    assert measures.noise_adu == pytest.approx(12.0, rel=0.03)
    assert np.isnan(
        [measures.hfr_px, measures.fwhm_px, measures.fwhm_arcsec, measures.elongation]
    ).all()


@pytest.mark.parametrize("value", [0, 700, 65535])
def test_a_frame_of_one_value_gives_no_stars(value: int) -> None:
    measures = measure_stars(Frame(np.full((200, 240), value, np.uint16)))
    assert measures.count == 0
    assert measures.background_adu == value
    assert measures.saturated_fraction == (1.0 if value == 65535 else 0.0)


@pytest.mark.parametrize("shape", [(1, 1), (3, 400), (9, 9), (11, 13), (65, 40)])
@pytest.mark.parametrize("bayer", [None, "GBRG"])
def test_small_and_odd_frames_are_measured_without_an_error(
    shape: tuple[int, int], bayer: str | None
) -> None:
    assert measure_stars(Frame(sky(shape), bayer=bayer)).count == 0


def test_a_frame_must_be_sixteen_bit_and_its_pattern_known() -> None:
    with pytest.raises(ValueError, match="uint16"):
        Frame(np.zeros((5, 5)))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="RGBG"):
        Frame(sky(), bayer="RGBG")


def test_hot_pixels_are_not_stars() -> None:
    data = sky()
    rng = np.random.default_rng(8)
    rows, columns = rng.integers(0, 200, 150), rng.integers(0, 240, 150)
    data[rows, columns] = rng.integers(2_000, 60_000, 150)
    # Only defects that touch one another may still pass for a star.
    assert measure_stars(Frame(data)).count <= 2


def test_hot_pixels_of_a_mosaic_are_not_stars() -> None:
    data = sky()
    rng = np.random.default_rng(12)
    data[rng.integers(0, 200, 30), rng.integers(0, 240, 30)] = 40_000
    assert measure_stars(Frame(data, bayer="RGGB")).count <= 1


def test_the_sharpest_stars_are_not_taken_for_hot_pixels() -> None:
    truth = render(gaussian(0.5), stars=60, flux=(3_000, 60_000), seed=5)
    assert measure_stars(Frame(truth.data)).count == 60


def test_stars_among_hot_pixels_are_found_with_their_sharpness() -> None:
    truth = render(gaussian(1.4), stars=40, seed=5)
    rng = np.random.default_rng(9)
    data = truth.data.copy()
    data[rng.integers(0, 300, 60), rng.integers(0, 400, 60)] = 30_000
    measures = measure_stars(Frame(data))
    assert measures.count == pytest.approx(40, abs=3)
    assert measures.hfr_px == pytest.approx(1.17741 * 1.4, rel=0.05)


def test_a_nebula_and_a_gradient_are_background() -> None:
    row, column = np.mgrid[0:400, 0:500]
    glow = (
        900 * np.exp(-((row - 200.0) ** 2 + (column - 260.0) ** 2) / (2 * 110.0**2)) + 1.2 * column
    )
    noise = np.random.default_rng(4).normal(0, 1, glow.shape) * np.sqrt(600 + glow)
    assert measure_stars(Frame((600 + glow + noise).astype(np.uint16))).count == 0


def test_centroids_count_from_zero_at_pixel_centres() -> None:
    truth = render(gaussian(1.5), flux=(40_000, 100_000), seed=6)
    found = measure_stars(Frame(truth.data)).stars
    assert len(found) == 60
    shift = offsets(found, truth.x, truth.y)
    assert np.median(shift) < 0.02 and shift.max() < 0.15
    nearest = np.hypot(found.x_px[:, None] - truth.x, found.y_px[:, None] - truth.y).argmin(axis=1)
    assert np.median(found.x_px - truth.x[nearest]) == pytest.approx(0.0, abs=0.01)
    assert np.median(found.flux_adu / truth.flux[nearest]) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("bayer", ["RGGB", "GRBG"])
def test_a_mosaic_is_measured_in_frame_pixels(bayer: str) -> None:
    transmission = {"R": 0.6, "G": 1.0, "B": 0.5}
    colour = np.ones((300, 400))
    for index, name in enumerate(bayer):
        colour[index // 2 :: 2, index % 2 :: 2] = transmission[name]
    truth = render(gaussian(1.6), flux=(40_000, 200_000), colour=colour, seed=7)
    measures = measure_stars(Frame(truth.data, bayer=bayer))
    assert measures.count == 60
    assert np.median(offsets(measures.stars, truth.x, truth.y)) < 0.1
    assert measures.hfr_px == pytest.approx(1.17741 * 1.6, rel=0.03)
    assert measures.fwhm_px == pytest.approx(2.35482 * 1.6, rel=0.03)
    assert measures.elongation < 1.06


def test_the_luminance_of_a_mosaic_averages_whole_cells() -> None:
    mosaic = np.array(
        [[100, 50, 110, 52, 7], [60, 20, 62, 22, 7], [120, 54, 130, 56, 7]], dtype=np.uint16
    )
    image, factor = luminance(Frame(mosaic, bayer="RGGB"))
    assert factor == 2
    assert image.tolist() == [[57.5, 61.5]]


def test_full_stars_are_reported_and_left_out_of_the_sharpness() -> None:
    truth = render(gaussian(1.5), flux=(20_000, 600_000), full=30_000, seed=11)
    measures = measure_stars(Frame(truth.data, saturation_adu=30_000))
    # Peak share of a centred Gaussian of sigma 1.5 px: erf(1 / (2 sqrt 2 1.5))^2 = 0.0682.
    expected = np.count_nonzero(truth.flux * 0.0682 + 900 >= 30_000)
    assert measures.saturated_count == pytest.approx(expected, abs=2)
    assert measures.good_count == measures.count - measures.saturated_count
    assert not (measures.stars.saturated & measures.stars.good).any()
    assert 0 < measures.saturated_fraction < 0.01
    assert measures.hfr_px == pytest.approx(1.17741 * 1.5, rel=0.03)


def test_one_full_pixel_of_a_mosaic_cell_makes_the_star_full() -> None:
    data = render(gaussian(2.0), stars=1, flux=(300_000, 300_001), seed=2).data
    row, column = np.unravel_index(data.argmax(), data.shape)
    data[row, column] = 65535
    assert measure_stars(Frame(data, bayer="RGGB")).saturated_count == 1


def test_the_trail_of_a_satellite_is_not_a_star() -> None:
    data = sky()
    for column in range(240):
        row = 40 + column // 2
        data[row : row + 3, column] += 400
    assert measure_stars(Frame(data)).count == 0


def test_a_star_over_the_edge_is_not_good() -> None:
    truth = render(gaussian(2.0), stars=1, flux=(50_000, 50_001), border=140, seed=2)
    x, y = int(truth.x[0]), int(truth.y[0])
    cut = Frame(np.ascontiguousarray(truth.data[:, x:]))
    measures = measure_stars(cut)
    assert measures.count == 1 and measures.good_count == 0
    assert measures.stars.y_px[0] == pytest.approx(y, abs=1)


def test_rings_far_out_of_focus_stay_whole() -> None:
    truth = render(ring(12, 4.2), stars=20, separation=60, border=70, flux=(150_000, 400_000))
    measures = measure_stars(Frame(truth.data))
    assert measures.count == len(truth.x)
    assert measures.hfr_px == pytest.approx(0.7492 * 12, rel=0.02)


@pytest.mark.parametrize(("long_px", "tolerance"), [(2.0, 0.06), (6.0, 0.15)])
def test_elongation_and_its_direction(long_px: float, tolerance: float) -> None:
    truth = render(gaussian(long_px, 1.5), flux=(100_000, 400_000), stars=30, separation=45)
    measures = measure_stars(Frame(truth.data))
    assert measures.elongation == pytest.approx(long_px / 1.5, rel=tolerance)
    assert abs(measures.elongation_deg) < 4
    turned = measure_stars(Frame(np.ascontiguousarray(truth.data.T)))
    assert abs(abs(turned.elongation_deg) - 90) < 4


def test_faint_stars_do_not_look_long() -> None:
    truth = render(gaussian(1.5), flux=(24_000, 30_000), stars=80, separation=18)
    measures = measure_stars(Frame(truth.data))
    assert measures.elongation < 1.02
    assert np.median(measures.stars.axis_ratio) > measures.elongation


def test_a_frame_full_of_light_does_not_overflow() -> None:
    # Checks of 8 px: more pixels above the threshold than the detector keeps by default.
    row, column = np.mgrid[0:1000, 0:1000]
    data = (500 + 20_000 * ((row // 8 + column // 8) % 2)).astype(np.uint16)
    measures = measure_stars(Frame(data + sky((1000, 1000), 20)))
    assert isinstance(measures, StarMeasures)


def test_the_same_frame_gives_the_same_numbers() -> None:
    truth = render(moffat(3.0, 3.0), stars=30)
    first, second = (measure_stars(Frame(truth.data), scale_arcsec=2.0) for _ in range(2))
    assert (first.hfr_px, first.fwhm_arcsec, first.elongation) == (
        second.hfr_px,
        second.fwhm_arcsec,
        second.elongation,
    )
    assert np.array_equal(first.stars.hfr_px, second.stars.hfr_px)
    assert first.fwhm_arcsec == pytest.approx(2.0 * first.fwhm_px)
    assert np.all(np.diff(first.stars.flux_adu) < 0.2 * first.stars.flux_adu[:-1])


def test_spots_narrower_than_any_star_break_no_fit() -> None:
    """Hot pixels of a long dark frame may pass for stars of a twentieth of a pixel."""
    image = np.zeros((60, 60), np.float32)
    at = np.array([10.0, 25.0, 40.0])
    image[at.astype(int), at.astype(int)] = 5000.0
    width = fit_fwhm(image, at, at, np.full(3, 0.05), np.full(3, 5000.0))
    assert np.isnan(width) or width < 1.0
