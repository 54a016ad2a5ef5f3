"""Nights in which something goes wrong while they end: they wait for it, and end as all others."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_nights import ORDERS, FaultNight, rehearsed, undisturbed
from support.grids import thinned
from support.remedy_nights import faulty_night


def test_a_mount_whose_driver_keeps_dying_is_waited_for_before_the_night_ends(
    tmp_path: Path,
) -> None:
    night = faulty_night(
        tmp_path, "mount-driver-crash-loop@20:36:45+30m", min_altitude_deg=66.0, exposure_s=300.0
    )
    ends = [fact for fact in night.facts("duty_ended") if fact.duty == "close"]
    assert [end.outcome for end in ends[:-1]] == ["failed"] * (len(ends) - 1)
    assert ends[-1].outcome == "done"
    lost_after_parking = [end for end in ends if (end.reason or "").startswith("rest: ")]
    assert lost_after_parking, "parked, and then nobody could say so any more"
    assert all(end.took_s < 600.0 for end in ends), "a dead driver is not waited for"
    night.check_end()


# The last frame of the short night is begun at 21:07:45, and its lights end at 21:10.
LAST = "21:08"


def last_state(night: FaultNight) -> str:
    return night.lights[-1].state


@pytest.mark.parametrize(
    ("kind", "lasts"),
    thinned(
        [
            ("disk-full", "35m"), ("disk-full", "5m"),
            ("disk-read-only", "5m"), ("disk-read-only", "35m"),
        ],
        2,
    ),
)  # fmt: skip
def test_a_frame_that_found_no_room_is_filed_once_there_is(
    kind: str, lasts: str, tmp_path: Path
) -> None:
    night = rehearsed(tmp_path, f"{kind}@{LAST}+{lasts}")
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert night.integration_s == undisturbed().integration_s
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended is not None) == ("disk", "write_failed", True)


def test_a_frame_for_which_there_is_never_room_stays_in_the_spool_and_is_reported(
    tmp_path: Path,
) -> None:
    night = rehearsed(tmp_path, f"disk-full@{LAST}")
    night.check_promises()
    night.check_rest()
    assert last_state(night) == "read"
    (fault,) = night.faults
    assert (fault.device, fault.kind, fault.ended) == ("disk", "write_failed", None)
    assert [remedy.outcome for remedy in fault.remedies] == ["failed"]
    (promise,) = [p for p in night.outcome.summary.promises if p.number == 4]
    assert "1 wait in the camera's spool for room on the disk" in promise.detail


def test_a_daemon_that_dies_while_it_waits_for_room_files_after_its_next_start(
    tmp_path: Path,
) -> None:
    night = rehearsed(tmp_path, f"disk-full@{LAST}+40m", "daemon-killed@21:20+5m")
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert last_state(night) == "graded"
    assert all(fault.ended is not None for fault in night.faults)


WITH_DARKS = ORDERS + "calibration: {darks: 3, flats: 2, bias: 2}\n"
# Two filters, one exposure time: two sets of flats, one of darks, one of bias.
SETS = {"flat": 4, "dark": 3, "bias": 2}


def calibration(night: FaultNight) -> dict[str, int]:
    """Count the calibration frames that were filed."""
    frames = [frame for frame in night.outcome.summary.frames if frame.frame != "light"]
    kinds = [frame.frame for frame in frames if frame.state == "filed"]
    return {kind: kinds.count(kind) for kind in sorted(set(kinds))}


@pytest.mark.parametrize(
    "fault",
    [
        "camera-unplugged@21:08+10m",  # in the last light
        "camera-unplugged@21:13+10m",  # in the flats
        "camera-driver-crash-loop@21:09+15m",
        "exposure-never-ends@21:10+20m",
        "frame-corrupt@21:09+8m",
        "disk-full@21:10+10m",
        "disk-read-only@21:00+30m",
    ],
)
def test_calibration_frames_are_taken_once_camera_and_disk_are_there(
    fault: str, tmp_path: Path
) -> None:
    night = rehearsed(tmp_path, fault, ordered=WITH_DARKS)
    night.check_promises()
    night.check_rest()
    assert calibration(night) == SETS
    assert [f.fault_id for f in night.faults if f.ended is None] == []
    # Nothing stands open while the camera is waited for.
    waits = [
        at_s for at_s, fact in night.of("decision") if "calibration frames wait" in fact.reason
    ]
    assert all(night.witness.parked_at(at_s) for at_s in waits)


def test_a_camera_that_stays_away_is_waited_for_no_longer_than_an_hour(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "camera-unplugged@21:08+90m", ordered=WITH_DARKS)
    night.check_rest()
    assert calibration(night) == {}
    (began_s,) = [at_s for at_s, fact in night.of("fault_began") if fact.fault == "unplugged"]
    closes = [at_s for at_s, fact in night.of("duty_began") if fact.duty == "close"]
    assert 3600.0 <= closes[0] - began_s <= 3600.0 + 120.0


def test_a_camera_that_is_lost_while_it_warms_up_is_brought_back_and_warmed(
    tmp_path: Path,
) -> None:
    night = rehearsed(tmp_path, "camera-unplugged@21:12+40m")
    night.check_promises()
    night.check_rest()
    assert all(fault.ended is not None for fault in night.faults)
    assert night.of("night_ended")[-1][0] > night.ended_s
