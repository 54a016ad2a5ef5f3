from __future__ import annotations

import copy
import functools
import json

import numpy as np
import pytest

from midwatch.imaging import Frame
from midwatch.imaging.guiding import GuideLoop, SettleRule
from midwatch.imaging.guiding.steering import GuidePulse
from support.guiding_bench import SMOOTH, GuideScope, NumberMount, Optics, replace
from support.guiding_runs import EXPOSURE_S, RULE, Night, event, guided

SMALL = Optics(shape=(150, 190))


def scope(mount: NumberMount | None = None, **more: int) -> GuideScope:
    settings = {"stars": 4, "seed": 3} | more
    return GuideScope(mount or NumberMount(SMOOTH), optics=SMALL, **settings)  # type: ignore[arg-type]


@functools.cache
def _settled() -> Night:
    return guided(scope(), 0.0)


def settled() -> Night:
    """A night that has calibrated and settled; each test goes on from a copy of its own."""
    return copy.deepcopy(_settled())


def mount_error(night: Night) -> float:
    """Distance of the telescope from where guiding wants it, on the mean of some cycles."""
    first = len(night.trace.truth)
    night.run_for(20.0)
    return float(np.hypot(*np.concatenate(night.trace.truth[first:]).mean(axis=0)))


def test_from_a_first_frame_to_guiding() -> None:
    night = Night(scope())
    assert night.begin(GuideLoop(night.settings())).phase == "calibrating"
    night.run(event("settled"), 300.0)
    assert night.trace.events[:4] == [
        "stars_chosen", "calibration_begun", "calibrated", "settled",
    ]  # fmt: skip
    assert night.loop is not None
    assert night.loop.phase == "guiding"
    night.run_for(60.0)
    output = night.trace.outputs[-1]
    assert output.stats.stars >= 3
    assert output.stats.rms_total_arcsec < 1.0
    assert output.stats.hfr_px == pytest.approx(1.3, abs=0.3)  # half of a FWHM of 2.6 px
    assert mount_error(night) < 0.6


def test_a_dither_goes_where_it_was_asked_to_and_settles() -> None:
    night = settled()
    assert night.loop is not None
    night.run_for(45.0)
    before = np.concatenate(night.trace.truth[-8:]).mean(axis=0)
    night.loop.dither(9.0, -6.0, SettleRule(1.5, 6.0, 60.0))
    assert night.loop.phase == "settling"
    night.run(event("settled"), 60.0)
    night.run_for(25.0)
    after = np.concatenate(night.trace.truth[-8:]).mean(axis=0)
    assert after - before == pytest.approx([9.0, -6.0], abs=0.6)


def test_cloud_of_a_minute_is_survived_without_anybody() -> None:
    night = settled()
    sky = night.scope
    night.run_for(40.0)
    assert night.loop is not None
    sky.transparency = 0.0
    night.run_for(60.0)
    assert night.loop.phase == "lost"
    assert not night.trace.outputs[-1].pulses
    assert night.trace.outputs[-1].error_arcsec is None
    sky.transparency = 0.7
    night.run(event("settled"), 60.0)
    assert night.trace.events[-3:] == ["stars_lost", "stars_found", "settled"]
    assert night.loop.phase == "guiding"
    assert mount_error(night) < 0.6


@pytest.mark.parametrize("follows", [False, True])
def test_a_saved_calibration_holds_after_a_flip_on_either_kind_of_mount(follows: bool) -> None:
    mount = NumberMount(replace(SMOOTH, dec_follows_sky=follows))
    night = guided(scope(mount), 0.0)
    assert night.loop is not None
    kept = json.loads(json.dumps(night.loop.save()))

    mount.flipped = True
    other = Night(scope(mount, seed=5), night.now_s)
    loop = GuideLoop(other.settings())
    loop.restore(kept)
    assert loop.calibrated
    other.begin(loop)
    other.run(event("settled"), 200.0)
    assert "calibration_begun" not in other.trace.events
    assert other.trace.events[1:3] == ["calibration_check", "calibration_reused"]
    other.mount.target = mount.error(other.now_s)
    assert mount_error(other) < 0.8

    # The next time no check is needed: how the mount answers is known now.
    again = GuideLoop(other.settings())
    again.restore(json.loads(json.dumps(loop.save())))
    output = Night(scope(mount, seed=6), other.now_s).begin(again)
    assert [e.name for e in output.events] == ["stars_chosen", "calibration_reused"]
    assert output.phase == "settling"


def test_on_the_same_side_nothing_is_checked_and_recalibrating_can_be_asked_for() -> None:
    night = settled()
    assert night.loop is not None
    assert night.begin(night.loop).phase == "settling"
    output = night.begin(night.loop, recalibrate=True)
    assert output.phase == "calibrating"
    assert not night.loop.calibrated


def test_pulses_that_are_refused_are_not_counted_as_done() -> None:
    night = guided(scope(NumberMount(replace(SMOOTH, drift_ra_arcsec_min=12.0))), 20.0)
    assert night.loop is not None
    for _ in range(8):
        frame, began_s, truth = night.expose()
        refused = night.loop.on_frame(frame, began_s, EXPOSURE_S, performed=())
    west = [p.duration_ms for p in refused.pulses if p.direction == "west"]
    # The drift of eight cycles has gathered, and all of it is asked for.
    gathered_arcsec = float(truth[:, 0].mean())
    assert gathered_arcsec > 2.0
    assert west[0] / 1e3 * 7.07 == pytest.approx(gathered_arcsec, abs=0.9)
    night.perform(refused.pulses)
    night.run_for(15.0)
    assert mount_error(night) < 0.8


def test_a_refused_pulse_of_a_calibration_is_asked_for_again() -> None:
    night = Night(scope())
    loop = GuideLoop(night.settings())
    first = night.begin(loop).pulses
    night.mount.pulse("east", first[0].duration_ms)  # taken back: as if never done
    frame, began_s, _ = night.expose()
    assert loop.on_frame(frame, began_s, EXPOSURE_S, performed=()).pulses == first


def test_a_frame_without_stars_does_not_begin_and_a_dead_mount_ends_in_words() -> None:
    night = Night(scope())
    loop = GuideLoop(night.settings())
    empty = Frame(np.random.default_rng(1).normal(300, 10, SMALL.shape).astype(np.uint16))
    output = loop.begin(empty, 0.0, night.pointing(), RULE)
    assert [e.name for e in output.events] == ["no_stars"]
    assert output.phase == "idle"
    with pytest.raises(RuntimeError, match="begin"):
        loop.on_frame(empty, 1.0, 2.0)

    night.mount.guide_arcsec_s = 0.01
    night.begin(loop)
    failed = night.run(event("calibration_failed"), 200.0)
    assert failed.phase == "idle"
    assert "moved only" in failed.events[-1].text
    assert not loop.calibrated


def test_a_dither_needs_guiding() -> None:
    loop = GuideLoop(Night(scope()).settings())
    with pytest.raises(RuntimeError, match="idle"):
        loop.dither(1.0, 1.0, RULE)


def test_what_cannot_be_read_is_refused_and_leaves_the_loop_as_it_was() -> None:
    loop = GuideLoop(Night(scope()).settings())
    for wrong in ({"calibration": {"west_px_s": "east"}}, {"memory": {"periods_s": "long"}}):
        with pytest.raises(ValueError, match="validation error"):
            loop.restore(wrong)
    assert not loop.calibrated


def test_the_same_frames_give_the_same_pulses() -> None:
    runs = []
    for _ in range(2):
        night = guided(scope(), 5.0)
        runs.append([o.pulses for o in night.trace.outputs])
    assert runs[0] == runs[1]
    assert any(runs[0])
    assert all(
        isinstance(p, GuidePulse) and p.duration_ms >= 1 for pulses in runs[0] for p in pulses
    )
