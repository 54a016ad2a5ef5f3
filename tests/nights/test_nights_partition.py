"""A night whose daemon is cut off from all devices for longer than their leases last."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from remedy_nights import faulty_night

# In the zone of the demo site, one hour ahead of UTC, this is 20:25.
BACK_S = datetime(2027, 3, 10, 19, 25, tzinfo=UTC).timestamp()


def test_a_long_partition_is_sat_out_without_circles_or_new_drivers(tmp_path: Path) -> None:
    night = faulty_night(
        tmp_path, "bus-partition@20:00+1500s", min_altitude_deg=60.0, exposure_s=300.0
    )
    night.check_end()
    tried = [fact for fact in night.facts("remedy_tried") if fact.fault_id.endswith("-silent")]
    assert tried == [], "what is silent together is not started anew one by one"
    assert [fact for fact in night.facts("fault_began") if fact.device == "daemon"] == []
    # Every minute, once the first quick attempts have failed.
    assert len([fact for fact in night.facts("duty_ended") if fact.duty == "secure"]) < 40
    again_s = min(at_s for at_s, _, _ in night.frames() if at_s > BACK_S)
    assert again_s - BACK_S < 1500.0, "calm time, opening, and what comes before a frame"
