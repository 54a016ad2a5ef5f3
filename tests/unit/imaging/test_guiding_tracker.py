from __future__ import annotations

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.guiding.tracking import Shift, Tracker, find_guide_stars
from midwatch.imaging.guiding.tracking.pattern import common_shift
from support.imaging_truth import FloatArray, gaussian, render

SHAPE = (200, 240)
X = np.array([60.3, 120.9, 180.2, 90.4, 150.8, 200.1])
Y = np.array([50.6, 100.2, 60.7, 150.3, 140.9, 120.4])
FLUX = np.array([40e3, 25e3, 15e3, 10e3, 8e3, 6e3])


def frame(dx: float = 0.0, dy: float = 0.0, *, seed: int = 1, light: float = 1.0,
          x: FloatArray = X, y: FloatArray = Y, flux: FloatArray = FLUX) -> Frame:  # fmt: skip
    truth = render(
        gaussian(1.2), shape=SHAPE, sky=200, known=(x + dx, y + dy, flux * light), seed=seed
    )
    return Frame(truth.data)


def tracker(first: Frame | None = None, **more: int) -> Tracker:
    return Tracker(find_guide_stars(first or frame(), **more))


def measured(track: Tracker, image: Frame, expected: tuple[float, float] = (0.0, 0.0)) -> Shift:
    shift = track.measure(image, expected)
    assert shift is not None, track.lost_reason
    return shift


@pytest.mark.parametrize("moved", [(0.0, 0.0), (0.37, -0.61), (3.3, 2.2), (-4.0, 1.5)])
def test_displacements_are_measured_to_a_small_part_of_a_pixel(moved: tuple[float, float]) -> None:
    shift = measured(tracker(), frame(*moved, seed=9))
    assert (shift.x_px, shift.y_px) == pytest.approx(moved, abs=0.03)
    assert shift.used == 6
    assert shift.light == pytest.approx(1.0)


def test_a_larger_displacement_is_followed_where_it_is_expected() -> None:
    shift = measured(tracker(), frame(14.2, -11.7, seed=2), (13.0, -12.0))
    assert (shift.x_px, shift.y_px) == pytest.approx((14.2, -11.7), abs=0.03)


def test_the_stated_error_is_the_scatter_of_the_measurements() -> None:
    track = tracker()
    shifts = [measured(track, frame(seed=seed)) for seed in range(30)]
    x = np.array([shift.x_px for shift in shifts])
    stated = np.sqrt(np.mean([shift.covariance_px2[0, 0] for shift in shifts]))
    assert float(x.std()) == pytest.approx(stated, rel=0.4)


def test_one_star_that_goes_astray_moves_the_mean_no_more() -> None:
    x = X.copy()
    x[0] += 2.5
    shift = measured(tracker(), frame(0.5, 0.0, x=x, seed=3))
    assert (shift.x_px, shift.y_px) == pytest.approx((0.5, 0.0), abs=0.05)
    assert shift.used == 5


def test_cloud_dims_all_stars_and_is_reported_as_light() -> None:
    track = tracker()
    measured(track, frame(seed=1))
    shift = measured(track, frame(0.4, 0.2, seed=2, light=0.3))
    assert shift.light == pytest.approx(0.3, rel=0.1)
    assert (shift.x_px, shift.y_px) == pytest.approx((0.4, 0.2), abs=0.06)


def test_lost_stars_are_found_again_far_from_where_they_were() -> None:
    track = tracker()
    for seed in range(4):
        assert track.measure(frame(seed=seed, light=0.0)) is None
    assert track.lost_frames == 4
    assert track.lost_reason
    shift = measured(track, frame(21.3, -17.8, seed=5))
    assert (shift.x_px, shift.y_px) == pytest.approx((21.3, -17.8), abs=0.05)
    assert track.lost_frames == 0


def test_another_field_is_not_taken_for_the_lost_one() -> None:
    track = tracker()
    for seed in range(3):
        track.measure(frame(seed=seed, light=0.0))
    stranger = frame(x=np.array([52.0]), y=np.array([58.0]), flux=np.array([30e3]))
    assert track.measure(stranger) is None


def test_the_target_moves_for_a_dither() -> None:
    track = tracker()
    track.move_target(2.0, -3.0)
    shift = measured(track, frame(seed=4), (-2.0, 3.0))
    assert (shift.x_px, shift.y_px) == pytest.approx((-2.0, 3.0), abs=0.04)
    assert track.target_px == (2.0, -3.0)


def test_stars_that_leave_the_frame_are_replaced() -> None:
    track = tracker()
    x, y = np.array([100.0, 130.5, 70.2, 170.0]), np.array([80.0, 60.4, 110.9, 90.0])
    stays = np.array([0, 1])
    both = (
        np.concatenate([X[stays], x]),
        np.concatenate([Y[stays], y]),
        np.concatenate([FLUX[stays], np.full(4, 20e3)]),
    )
    for seed in range(36):
        shift = measured(track, frame(0.3, 0.0, x=both[0], y=both[1], flux=both[2], seed=seed))
    assert track.replaced >= 3
    assert track.count >= 5
    assert shift.used >= 5
    assert (shift.x_px, shift.y_px) == pytest.approx((0.3, 0.0), abs=0.05)


def test_a_single_hot_pixel_in_the_window_is_no_star() -> None:
    track = tracker(frame(x=X[:1], y=Y[:1], flux=FLUX[:1]))
    empty = frame(light=0.0).data.copy()
    empty[51, 61] = 60_000
    assert track.measure(Frame(empty)) is None


def test_a_tracker_needs_a_star() -> None:
    with pytest.raises(ValueError, match="no star"):
        tracker(frame(light=0.0))


def test_a_lone_star_is_known_again_by_its_light_only() -> None:
    one, expected = np.array([[50.0, 50.0]]), np.zeros(2)
    seen = np.array([[58.0, 50.0]])
    found = common_shift(one, np.array([1e4]), seen, np.array([8e3]), expected, 12.0)
    assert found is not None
    assert found == pytest.approx([8.0, 0.0])
    for light in (1e2, 9e4):
        assert common_shift(one, np.array([1e4]), seen, np.array([light]), expected, 12.0) is None
    assert common_shift(one, np.array([1e4]), seen, np.array([8e3]), expected, 5.0) is None
    assert common_shift(one, np.array([1e4]), seen[:0], np.empty(0), expected, 5.0) is None
