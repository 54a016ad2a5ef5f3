"""A night with a meridian flip, in which the mount lets the rig down around it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from fault_nights import ORDERS, FaultNight, rehearsed, utc_s

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
