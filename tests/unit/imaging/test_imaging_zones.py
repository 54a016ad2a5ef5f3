from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Frame
from midwatch.imaging.stars import StarMeasures, measure_stars
from midwatch.imaging.stars.zones import sky_levels
from support.imaging_truth import gaussian, render

SHAPE = (450, 600)


def field(tilt: float, curvature: float, turn_deg: float = 0.0) -> StarMeasures:
    """Stars whose width grows across the frame and from its middle to its corners."""
    rng = np.random.default_rng(3)
    image: NDArray[np.float64] = np.zeros(SHAPE)
    turn, corner = np.radians(turn_deg), 0.5 * np.hypot(*SHAPE)
    for row in range(25, SHAPE[0] - 20, 40):
        for column in range(25, SHAPE[1] - 20, 40):
            x, y = column + rng.uniform(-5, 5), row + rng.uniform(-5, 5)
            u, v = (x - 299.5) / corner, (y - 224.5) / corner
            along = u * np.cos(turn) + v * np.sin(turn)
            sigma = 1.6 * (1 + tilt * along / 2 + curvature * (u**2 + v**2))
            stamp = gaussian(sigma)(np.arange(SHAPE[1]) * 1.0, np.arange(SHAPE[0]) * 1.0, x, y)
            image += 60_000 * stamp
    noisy = rng.poisson(image + 500)
    return measure_stars(Frame(np.clip(noisy, 0, 65535).astype(np.uint16)))


@pytest.mark.parametrize("turn_deg", [0.0, 130.0])
def test_tilt_and_its_direction(turn_deg: float) -> None:
    shape = field(0.3, 0.0, turn_deg).field
    assert shape.tilt_percent == pytest.approx(30, abs=3)
    assert shape.tilt_deg == pytest.approx(turn_deg, abs=6)
    assert abs(shape.curvature_percent) < 3
    assert 0 < shape.tilt_error_percent < 2 and 0 < shape.curvature_error_percent < 2


def test_curvature_and_zones() -> None:
    measures = field(0.0, 0.25)
    assert measures.field.curvature_percent == pytest.approx(25, abs=3)
    assert measures.field.tilt_percent < 3
    hfr = np.array([zone.hfr_px for zone in measures.zones]).reshape(3, 3)
    assert hfr[1, 1] == pytest.approx(1.17741 * 1.6, rel=0.03)
    # The middle of a corner zone lies two thirds of the way out: 1 + 0.25 (2/3)^2.
    for corner in (hfr[0, 0], hfr[0, 2], hfr[2, 0], hfr[2, 2]):
        assert corner / hfr[1, 1] == pytest.approx(1.11, abs=0.04)
    assert sum(zone.count for zone in measures.zones) == measures.count
    assert [(zone.row, zone.column) for zone in measures.zones] == [divmod(i, 3) for i in range(9)]


def test_a_flat_field_shows_neither() -> None:
    shape = field(0.0, 0.0).field
    assert shape.tilt_percent < 4 * shape.tilt_error_percent < 8
    assert abs(shape.curvature_percent) < 4 * shape.curvature_error_percent < 8


def test_too_few_stars_tell_nothing_of_the_field() -> None:
    measures = measure_stars(Frame(render(gaussian(1.5), stars=10).data))
    assert np.isnan(measures.field.tilt_percent) and np.isnan(measures.field.curvature_percent)
    assert len(measures.zones) == 9


def test_elongation_of_zones_turns_with_them() -> None:
    upright = render(gaussian(1.5, 2.2), shape=(300, 300), stars=40, flux=(60_000, 200_000))
    lying = render(gaussian(2.2, 1.5), shape=(300, 300), stars=40, flux=(60_000, 200_000))
    both = np.concatenate((upright.data, lying.data, lying.data), axis=1)
    zones = measure_stars(Frame(both)).zones
    assert abs(abs(zones[3].elongation_deg) - 90) < 6 and abs(zones[5].elongation_deg) < 6
    assert zones[4].elongation == pytest.approx(2.2 / 1.5, rel=0.08)


@pytest.mark.parametrize("shape", [(1, 1), (5, 200), (13, 13)])
def test_the_sky_of_small_images(shape: tuple[int, int]) -> None:
    levels = sky_levels(np.full(shape, 700.0, np.float32))
    assert np.all(levels.zones_adu == 700.0)
    assert (levels.gradient_x_adu, levels.gradient_y_adu) == pytest.approx((0.0, 0.0), abs=1e-6)
