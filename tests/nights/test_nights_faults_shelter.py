"""Nights in which the weather turns, or the roof or the weather sensor lets the rig down."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.fault_expectations import SHELTER, Expected
from support.fault_nights import CONFIGS, ORDERS, SEED, FaultNight, check, named, rehearsed

# Of the site: until then the telescope must be parked; a roof takes as long again.
CLOSE_WITHIN_S = 240.0
ROOF_S = 60.0
# Readings older than this count as none; they come every two minutes.
STALE_S = 180.0
UNSAFE = ("rain", "gust", "dew", "weather-silent")


def check_shelter(name: str, night: FaultNight) -> None:
    """Demand that a telescope was parked first, and then put under its roof, by the truth."""
    if name in UNSAFE:
        noticed_s = night.began_s + (STALE_S + 120.0 if name == "weather-silent" else 120.0)
        # Saturated air comes slowly, and gusts build up: it is over the limit later.
        noticed_s += 300.0 if name in ("dew", "gust") else 0.0
        shut_s = noticed_s + CLOSE_WITHIN_S + ROOF_S
        assert shut_s < night.ended_s
        assert night.witness.parked_at(shut_s)
        assert night.witness.open_fraction(shut_s) == 0.0
        # It stays so until the time of calm after it is over.
        assert night.witness.open_fraction(night.ended_s + 800.0) == 0.0
        begun = [at_s for at_s, fact in night.of("frame_begun") if fact.frame == "light"]
        assert not [at_s for at_s in begun if noticed_s < at_s < night.ended_s + 800.0]
    elif name.startswith("roof-st"):
        # It is not open until the fault is over, and nothing has moved.
        moved = [at_s for at_s, truth in night.witness.mount if not truth["parked"]]
        assert min(moved) > night.ended_s
    elif name == "roof-sensor-lies":
        # It parks at once, and stays so as long as the roof says that it is shut.
        parked_s = night.began_s + 90.0
        out = [at_s for at_s, truth in night.witness.mount if not truth["parked"]]
        assert not [at_s for at_s in out if parked_s < at_s < night.ended_s]
        assert night.witness.parked_at(parked_s)
        begun = [at_s for at_s, fact in night.of("frame_begun") if fact.frame == "light"]
        assert not [at_s for at_s in begun if night.began_s < at_s < night.ended_s]
    elif name == "cloud-bands":
        # Clouds hide stars; they do no harm.
        assert night.witness.open_fraction(night.ended_s) == 1.0


@pytest.mark.parametrize(("name", "expected"), named(SHELTER))
def test_a_night_with(name: str, expected: Expected, tmp_path: Path) -> None:
    print(f"seed {SEED}")
    night = rehearsed(tmp_path, f"{name}@{expected.when}")
    check(name, night, expected)
    check_shelter(name, night)


def test_a_roof_that_stops_halfway_at_the_end_is_closed_all_the_same(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "roof-stops-halfway@21:09+5m")
    night.check_promises()
    night.check_rest()
    assert night.witness.moved_under_roof() == []
    seen = [fault for fault in night.faults if fault.device == "roof"]
    assert seen
    assert all(fault.ended is not None for fault in seen)


def test_a_roof_that_never_closes_is_a_fault_that_stands(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "roof-stops-halfway@21:09+10h")
    night.check_frames()
    # What can be done is done: the telescope is parked and the camera warm, and a person is told.
    assert (night.end.parked, night.end.warm, night.end.closed) == (True, True, False)
    assert night.witness.mount[-1][1]["parked"]
    (seen,) = [fault for fault in night.faults if fault.device == "roof"]
    assert seen.ended is None
    assert [r.remedy for r in seen.remedies].count("retry close") >= 3
    broken = [promise.number for promise in night.outcome.summary.promises if promise.ok is False]
    assert broken == [8], "the promise of a closed roof, and no other"


def test_a_roof_that_says_at_the_end_that_it_is_shut_is_closed_all_the_same(tmp_path: Path) -> None:
    night = rehearsed(tmp_path, "roof-sensor-lies@21:00+20m")
    night.check_frames()
    night.check_promises()
    night.check_rest()
    assert night.witness.moved_under_roof() == []
    assert night.witness.open_fraction(night.ended_s) == 0.0


@pytest.mark.parametrize("at", ["19:38:30+3m", "19:39:10+30s"])
def test_a_mount_on_its_way_parks_under_a_roof_that_says_that_it_is_shut(
    at: str, tmp_path: Path
) -> None:
    """Common practice, no source: parking from anywhere takes less than a minute and a half."""
    night = rehearsed(tmp_path, f"roof-sensor-lies@{at}")
    night.check_promises()
    night.check_rest()
    out = [at_s for at_s, truth in night.witness.mount if not truth["parked"]]
    assert not [at_s for at_s in out if night.began_s + 90.0 < at_s < night.ended_s]
    secured = [at_s for at_s, fact in night.of("duty_began") if fact.duty == "secure"]
    assert night.began_s <= secured[0] <= night.began_s + 5.0


@pytest.mark.parametrize("clears", [False, True])
def test_over_a_mount_that_does_not_park_only_a_roof_that_clears_it_closes(
    clears: bool, tmp_path: Path
) -> None:
    rig = (CONFIGS / "rigs/harrier.yaml").read_text(encoding="utf-8")
    roof = "    driver: simulated-roof\n"
    assert roof in rig
    if clears:
        rig = rig.replace(roof, f"{roof}    options: {{clears_telescope: true}}\n")
    (tmp_path / "shed.yaml").write_text(rig, encoding="utf-8")
    ordered = ORDERS.replace("harrier.yaml", "shed.yaml")
    faults = ("mount-stalls@20:10+25m", "rain@20:10:30+20m")
    night = rehearsed(tmp_path, *faults, ordered=ordered)
    night.check_frames()
    night.check_rest()
    shut_s = night.began_s + 30.0 + CLOSE_WITHIN_S + ROOF_S
    assert not night.witness.parked_at(shut_s)
    assert night.witness.open_fraction(shut_s) == (0.0 if clears else 1.0)
