from __future__ import annotations

import math

import numpy as np
import pytest

from midwatch.imaging.guiding import GuidePointing, GuideSettings
from midwatch.imaging.guiding.calibrating import (
    Calibration,
    Calibrator,
    Done,
    Failed,
    FlipCheck,
    Holds,
    PulseStep,
)
from midwatch.imaging.guiding.tracking import Shift
from support.guiding_bench import SMOOTH, GuideScope, NumberMount, replace

SETTINGS = GuideSettings(scale_arcsec_px=2.0)
EAST = GuidePointing(dec_deg=20.0, pier_side="east")


def shift_of(x: float, y: float) -> Shift:
    return Shift(x, y, 0.01 * np.eye(2), 5, 80.0, 1.4, 1.0)


class Bench:
    """Answers pulses with where the numeric mount puts the stars."""

    def __init__(self, mount: NumberMount, noise_px: float = 0.1) -> None:
        self.mount, self.scope = mount, GuideScope(mount)
        self.now_s = 0.0
        self.rng = np.random.default_rng(4)
        self.noise_px = noise_px
        self.start = np.array(mount.error(0.0))

    def look(self) -> Shift:
        x, y = self.scope.to_px(*(np.array(self.mount.error(self.now_s)) - self.start))
        nx, ny = self.noise_px * self.rng.normal(size=2)
        return shift_of(x + nx, y + ny)

    def pulse(self, step: PulseStep) -> None:
        self.mount.pulse(step.direction, step.duration_ms)
        self.now_s += 2.5 + step.duration_ms / 1e3


def calibrate(bench: Bench, settings: GuideSettings = SETTINGS) -> Done | Failed:
    pointing = GuidePointing(dec_deg=bench.mount.dec_deg, pier_side="east")
    calibrator = Calibrator(settings, pointing, bench.look(), 0.0)
    for _ in range(300):
        step = calibrator.next_step()
        if not isinstance(step, PulseStep):
            return step
        bench.pulse(step)
        calibrator.inform(bench.look(), bench.now_s)
    raise AssertionError("the calibration does not end")


def calibration(bench: Bench) -> Calibration:
    result = calibrate(bench)
    assert isinstance(result, Done), result
    return result.calibration


@pytest.mark.parametrize("dec_deg", [0.0, -35.0, 60.0])
@pytest.mark.parametrize("play_arcsec", [0.0, 6.0])
def test_rates_angle_and_play_come_out(dec_deg: float, play_arcsec: float) -> None:
    habits = replace(SMOOTH, dec_play_arcsec=play_arcsec)
    bench = Bench(NumberMount(habits, dec_deg=dec_deg))
    found = calibration(bench)
    dec_px_s = bench.mount.guide_arcsec_s / 2.0
    assert found.ra_rate_px_s == pytest.approx(dec_px_s * math.cos(math.radians(dec_deg)), rel=0.05)
    assert found.dec_rate_px_s == pytest.approx(dec_px_s, rel=0.05)
    # The bench's camera: west is +x turned by the angle, north +y: parity +1.
    assert found.angle_deg == pytest.approx(33.0, abs=2.5)
    assert found.parity == 1
    assert abs(found.orthogonality_error_deg) < 3.0
    assert found.dec_backlash_ms == pytest.approx(
        1e3 * play_arcsec / bench.mount.guide_arcsec_s, abs=120
    )


def test_drift_does_not_pass_for_an_answer_in_right_ascension() -> None:
    bench = Bench(NumberMount(replace(SMOOTH, drift_ra_arcsec_min=15.0)))
    found = calibration(bench)
    expected = bench.mount.guide_arcsec_s * math.cos(math.radians(20)) / 2.0
    assert found.ra_rate_px_s == pytest.approx(expected, rel=0.05)


def test_a_mount_that_does_not_obey_fails_in_words() -> None:
    mount = NumberMount(SMOOTH)
    mount.guide_arcsec_s = 0.1
    result = calibrate(Bench(mount, noise_px=0.02))
    assert isinstance(result, Failed)
    assert "moved only" in result.reason
    assert "12 px were wanted" in result.reason


def test_a_declination_axis_that_is_clamped_open_fails() -> None:
    result = calibrate(Bench(NumberMount(replace(SMOOTH, dec_play_arcsec=900.0))))
    assert isinstance(result, Failed)
    assert "north" in result.reason


def test_gusts_on_every_frame_are_not_a_straight_line() -> None:
    result = calibrate(Bench(NumberMount(SMOOTH), noise_px=5.0))
    assert isinstance(result, Failed)
    assert "straight" in result.reason or "apart" in result.reason


def test_axes_far_from_square_are_refused() -> None:
    bench = Bench(NumberMount(SMOOTH))
    to_px = bench.scope.to_px
    bench.scope.to_px = lambda east, north: to_px(east + 0.7 * north, north)  # type: ignore[method-assign]
    result = calibrate(bench)
    assert isinstance(result, Failed)
    assert "degrees apart" in result.reason


def test_a_speed_far_from_the_guide_rate_is_refused() -> None:
    result = calibrate(
        Bench(NumberMount(SMOOTH)), SETTINGS.model_copy(update={"scale_arcsec_px": 0.6})
    )
    assert isinstance(result, Failed)
    assert "guide rate" in result.reason


def saved(**more: object) -> Calibration:
    return Calibration.model_validate(
        {
            "west_px_s": (3.0, 1.0),
            "north_px_s": (-1.1, 3.3),
            "dec_deg": 20.0,
            "pier_side": "east",
            "scale_arcsec_px": 2.0,
        }
        | more
    )


def test_a_calibration_goes_to_json_and_back() -> None:
    before = saved(dec_backlash_ms=312.0, error_px_s=0.04)
    assert Calibration.model_validate_json(before.model_dump_json()) == before


@pytest.mark.parametrize(
    ("pointing", "settings", "turned_deg", "validity"),
    [
        (EAST, {}, 0.0, "valid"),
        (GuidePointing(dec_deg=70, pier_side="east"), {}, 0.0, "valid"),
        (GuidePointing(dec_deg=20, pier_side="west"), {}, 0.0, "check"),
        (GuidePointing(dec_deg=20, pier_side="west"), {"dec_follows_sky": False}, 0.0, "flipped"),
        (GuidePointing(dec_deg=20), {"dec_follows_sky": True}, 0.0, "check"),
        (GuidePointing(dec_deg=88, pier_side="east"), {}, 0.0, "invalid"),
        (EAST, {"binning": 2}, 0.0, "invalid"),
        (EAST, {"scale_arcsec_px": 2.4}, 0.0, "invalid"),
        (EAST, {"scale_arcsec_px": 2.02}, 0.0, "valid"),
        (EAST, {}, 4.0, "invalid"),
    ],
)
def test_when_a_calibration_may_be_used_again(
    pointing: GuidePointing, settings: dict[str, object], turned_deg: float, validity: str
) -> None:
    used = SETTINGS.model_copy(update=settings)
    assert saved().validity(used, pointing, turned_deg) == validity


def test_a_calibration_of_a_mount_without_sides_holds_all_over_its_sky() -> None:
    fork = GuidePointing(dec_deg=20, pier_side="none")
    assert saved(pier_side="none").validity(SETTINGS, fork) == "valid"
    follows = SETTINGS.model_copy(update={"dec_follows_sky": True})
    # One of another mount may be turned, whatever is known of that mount.
    assert saved().validity(follows, fork) == "check"
    assert saved(pier_side="none").validity(follows, EAST) == "check"


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("follows", [False, True])
def test_pixels_to_sky_and_back_with_axes_out_of_square(turned: bool, follows: bool) -> None:
    steering = saved().steering(
        GuidePointing(dec_deg=50, pier_side="east"), turned=turned, dec_follows_sky=follows
    )
    x, y = steering.shift_px(3.0, -2.0)
    assert steering.error_arcsec(x, y) == pytest.approx((3.0, -2.0))
    # A pulse that moves the telescope by some arcseconds moves the stars so that the error that
    # is read off grows by as much.
    west_s = -steering.ra_pulse_ms(3.0) / 1e3
    north_s = steering.dec_pulse_ms(-2.0) / 1e3
    moved = west_s * steering.west_px_s + north_s * steering.north_px_s
    assert moved == pytest.approx((x, y))


def test_the_covariance_of_equal_errors_stays_equal_on_square_axes() -> None:
    square = saved(west_px_s=(3.0, 0.0), north_px_s=(0.0, 3.3)).steering(
        EAST, turned=False, dec_follows_sky=True
    )
    assert square.covariance_arcsec2(0.01 * np.eye(2)) == pytest.approx(0.04 * np.eye(2))


@pytest.mark.parametrize("follows", [False, True])
@pytest.mark.parametrize("flipped", [False, True])
def test_check_pulses_tell_how_a_calibration_holds(follows: bool, flipped: bool) -> None:
    mount = NumberMount(replace(SMOOTH, dec_follows_sky=follows, dec_play_arcsec=3.0))
    known = calibration(Bench(mount))
    mount.flipped = flipped
    bench = Bench(mount)
    check = FlipCheck(known, EAST, bench.look(), 12.0)
    for _ in range(40):
        step = check.next_step()
        if not isinstance(step, PulseStep):
            break
        bench.pulse(step)
        check.inform(bench.look())
    # Not flipped, both kinds of mount answer alike.
    assert step == Holds(turned=flipped, dec_follows_sky=follows or not flipped)


def test_a_turned_camera_fails_the_check() -> None:
    mount = NumberMount(SMOOTH)
    known = saved(west_px_s=(0.0, 3.5), north_px_s=(-3.5, 0.0))
    bench = Bench(mount)
    check = FlipCheck(known, EAST, bench.look(), 12.0)
    while isinstance(step := check.next_step(), PulseStep):
        bench.pulse(step)
        check.inform(bench.look())
    assert isinstance(step, Failed)
    assert "turned" in step.reason


def test_check_pulses_without_an_answer_end() -> None:
    check = FlipCheck(saved(), EAST, shift_of(0, 0), 12.0)
    count = 0
    while isinstance(step := check.next_step(), PulseStep):
        check.inform(shift_of(0.1, 0.1))
        count += 1
    assert isinstance(step, Failed)
    assert count < 20
