"""Nights whose mount goes while they end: they wait for it, and end parked all the same."""

from __future__ import annotations

from pathlib import Path

from remedy_nights import faulty_night


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
