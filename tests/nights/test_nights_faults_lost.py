"""Nights in which the telescope is lost, or sees nothing, for longer than a frame or two."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_nights import rehearsed, undisturbed, utc_s

FRAME_S = 120.0


@pytest.mark.parametrize("minutes", [8, 20])
def test_after_a_motor_has_stalled_the_field_is_searched_and_found(
    minutes: int, tmp_path: Path
) -> None:
    """Common practice, no source: the stall, and the longest pause that a ladder makes."""
    night = rehearsed(tmp_path, f"mount-stalls@20:10:30+{minutes}m")
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert undisturbed().integration_s - night.integration_s <= (minutes + 10) * 60.0
    # 15.04 arcsec/s (the sky turns once in a sidereal day) times the cosine of 25 degrees north.
    found = [fact for at_s, fact in night.of("centred") if at_s > night.ended_s]
    assert found[0].ok
    assert found[0].offset_before_arcsec == pytest.approx(minutes * 60 * 13.6, rel=0.02)
    # Nothing counts that was taken of another place.
    for frame in night.lights:
        if frame.grade == "accepted":
            assert not night.began_s < utc_s(frame.began) < night.ended_s


@pytest.mark.parametrize("seconds", [20, 40])
def test_after_a_short_stall_no_more_than_a_frame_is_taken_off_the_target(
    seconds: int, tmp_path: Path
) -> None:
    """So near the field is known, and frames of it would pass or be doubted for hours."""
    night = rehearsed(tmp_path, f"mount-stalls@20:10:30+{seconds}s")
    night.check_frames()
    night.check_promises()
    assert undisturbed().integration_s - night.integration_s <= 2 * FRAME_S
    found = [fact for at_s, fact in night.of("centred") if at_s > night.ended_s]
    assert found[0].ok
    # 15.04 arcsec/s times the cosine of 25 degrees north, and dithers.
    assert found[0].offset_before_arcsec == pytest.approx(seconds * 13.6, rel=0.15)
    off = [f for f in night.lights if (f.offset_arcsec or 0.0) > 150.0]
    assert len(off) <= 1


def test_a_shutter_that_stays_shut_is_reported_and_tried_again(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "shutter-stuck@20:10:30+15m")
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert {(fault.device, fault.kind) for fault in night.faults} == {("camera", "no_light")}
    assert all(fault.ended is not None for fault in night.faults)
    assert undisturbed().integration_s - night.integration_s <= 15 * 60.0 + 3 * FRAME_S
    # Two dark frames show it; more are not taken, but for those that ask whether it still holds.
    dark = [f for f in night.during() if f.grade is not None and f.grade != "accepted"]
    assert len(dark) == 2


def test_clouds_are_not_taken_for_a_shutter(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "cloud-bands@20:10:30+20m")
    assert [fault.kind for fault in night.faults if fault.device == "camera"] == []


def test_a_mount_that_was_put_right_while_it_was_parked_is_asked_again(tmp_path: Path) -> None:
    """It shows no hour angle at rest, and slews again all the same."""
    faults = ("mount-site-wrong@19:50+20m", "weather-silent@19:51+6m")
    night = rehearsed(tmp_path, *faults)
    night.check_frames()
    night.check_promises()
    night.check_rest()
    wrong = [fault for fault in night.faults if fault.kind == "wrong_hour_angle"]
    assert wrong
    assert all(fault.ended is not None for fault in wrong)
    # The site's calm of 15 min, as long again until it is asked, and the way back.
    assert undisturbed().integration_s - night.integration_s <= 45 * 60.0
