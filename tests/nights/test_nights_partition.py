"""A night whose daemon is cut off from all devices for longer than their leases last."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from support.remedy_nights import faulty_night

# In the zone of the demo site, one hour ahead of UTC, this is 20:25.
BACK_S = datetime(2027, 3, 10, 19, 25, tzinfo=UTC).timestamp()


def test_a_long_partition_is_sat_out_without_circles_or_new_drivers(tmp_path: Path) -> None:
    night = faulty_night(
        tmp_path, "bus-partition@20:00+1500s", min_altitude_deg=60.0, exposure_s=300.0
    )
    night.check_end()
    tried = [fact for fact in night.facts("remedy_tried") if fact.fault_id.endswith("-silent")]
    assert tried == [], "what is silent together is not started anew one by one"
    assert not any("was started again" in notice.message for notice in night.facts("notice"))
    assert [fact for fact in night.facts("fault_began") if fact.device == "daemon"] == []
    # Every minute, once the first quick attempts have failed.
    assert len([fact for fact in night.facts("duty_ended") if fact.duty == "secure"]) < 40
    # Each host tells what it did meanwhile, once the bus is back.
    (unheard,) = night.facts("lease_unheard")
    assert unheard.until_utc_s - unheard.from_utc_s >= 1500.0
    seen = [
        e.fact for e in night.events
        if e.fact.kind == "host_account" and BACK_S < e.at_utc_s < BACK_S + 120.0
    ]  # fmt: skip
    assert {fact.device for fact in seen} >= {"mount", "roof", "camera", "guider"}
    for fact in seen:
        (silence,) = fact.silences
        assert silence.over_utc_s is not None
        assert abs(silence.over_utc_s - BACK_S) < 30.0
        assert fact.device not in ("mount", "roof") or silence.at_rest_utc_s is not None
    (promise,) = [p for p in night.outcome.summary.promises if p.number == 2]
    assert promise.ok
    again_s = min(at_s for at_s, _, _ in night.frames() if at_s > BACK_S)
    assert again_s - BACK_S < 1500.0, "calm time, opening, and what comes before a frame"
