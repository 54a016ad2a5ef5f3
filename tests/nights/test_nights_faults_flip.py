"""A night with a meridian flip, in which the mount lets the rig down around it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from support.fault_nights import ORDERS, FaultNight, rehearsed, utc_s
from support.grids import thinned

# Both fields are west of the pier at first. The mount turns over at 20:53.
FLIPPED = ORDERS.replace("ra: 6h30m", "ra: 7h40m").replace("ra: 6h20m", "ra: 7h50m")
FRAME_S = 120.0
PARKED_AND_BACK_S = 180.0


@cache
def untroubled() -> FaultNight:
    with TemporaryDirectory() as folder:
        night = rehearsed(Path(folder), ordered=FLIPPED)
    ((_, flip),) = night.of("flipped")
    assert flip.ok and not night.faults
    return night


def test_the_time_of_a_flip_is_in_the_ledger_as_such() -> None:
    night = untroubled()
    (took_s,) = (fact.took_s for _, fact in night.of("duty_ended") if fact.duty == "flip")
    assert took_s > 10.0
    assert night.outcome.summary.ledger["flipping"] == pytest.approx(took_s, abs=2.0)


def troubled(folder: Path, fault: str) -> tuple[FaultNight, float]:
    """Return the night, and what it cost in integration, seconds."""
    night = rehearsed(folder, fault, ordered=FLIPPED)
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert night.witness.moved_under_roof() == []
    assert all(fault.ended is not None for fault in night.faults)
    return night, untroubled().integration_s - night.integration_s


@pytest.mark.parametrize("minutes", [20, 40])
def test_a_flip_that_ends_on_the_wrong_side_is_made_good_by_another_slew(
    minutes: int, tmp_path: Path
) -> None:
    """Common practice, no source: the fault, pauses between attempts, parking, a frame or two."""
    night, cost_s = troubled(tmp_path, f"wrong-pier-side@20:45+{minutes}m")
    assert {(fault.device, fault.kind) for fault in night.faults} == {("mount", "wrong_side")}
    flips = [flip.ok for _, flip in night.of("flipped")]
    assert flips == [False]
    late_s = max(utc_s(str(fault.ended)) for fault in night.faults) - night.ended_s
    assert late_s <= 600.0
    assert cost_s <= minutes * 60.0 - 480.0 + 600.0 + PARKED_AND_BACK_S + 2 * FRAME_S


# Each with what it may cost: its own length, the pauses of a ladder, a slew, a frame or two. Common
# practice, no source.
AROUND_THE_FLIP = {
    "encoder-jump@20:52": 1 * FRAME_S,
    "encoder-jump@20:54:15": 1 * FRAME_S,
    "tracking-lost@20:53:30": 2 * FRAME_S,
    "mount-limit-hit@20:53:30": 2 * FRAME_S,
    "mount-stalls@20:52+4m": 240.0 + 300.0,
    "slew-refused@20:50+10m": 600.0 + 300.0,
    "slew-lands-elsewhere@20:50+10m": 600.0 + 900.0,
    "mount-clock-wrong@20:45+15m": 900.0,
    "mount-clock-wrong@20:53:20+15m": 900.0,
    "mount-site-wrong@20:45+15m": 900.0,
    "mount-site-wrong@20:53:20+15m": 900.0,
}


@pytest.mark.parametrize("fault", thinned(list(AROUND_THE_FLIP), 2))
def test_a_night_outlives_a_mount_in_trouble_around_its_flip(fault: str, tmp_path: Path) -> None:
    night, cost_s = troubled(tmp_path, fault)
    assert cost_s <= AROUND_THE_FLIP[fault]
    lights = [utc_s(f.began) for f in night.lights if f.grade == "accepted"]
    assert max(lights) > night.ended_s + 3000.0


def test_a_mount_whose_clock_is_wrong_is_halted_before_its_host_has_to_stop_it(
    tmp_path: Path,
) -> None:
    night, _ = troubled(tmp_path, "mount-clock-wrong@20:30+1h")
    assert {fault.kind for fault in night.faults} == {"wrong_hour_angle"}
    assert night.of("limit_held") == []
    halted = [at_s for at_s, fact in night.of("duty_began") if fact.duty == "halt"]
    assert night.began_s < halted[0] < night.ended_s


def test_it_is_reported_when_a_mount_was_stopped_at_a_limit_by_its_own_host(tmp_path: Path) -> None:
    """Where it says that it is, three degrees further on, would be past the limit of five."""
    night, _ = troubled(tmp_path, "mount-site-wrong@20:45+15m")
    held = night.of("limit_held")[0][1]
    assert held.device == "mount" and "past the limit" in held.message
    stopped = [fault for _, fault in night.of("fault_began") if fault.fault == "not_tracking"]
    assert "by its own host" in stopped[0].message and "past the limit" in stopped[0].message
