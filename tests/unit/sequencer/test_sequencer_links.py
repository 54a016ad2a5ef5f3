"""When the trouble of a link is over: common practice, no source."""

from __future__ import annotations

from midwatch.journal.facts import Fact, FaultBegan, FaultEnded, RemedyTried
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.sequencer.faults import keeps_dying
from midwatch.sequencer.faults.links import closed_link

T0 = 1.8e9


def record_of(*facts: tuple[float, Fact]) -> NightRecord:
    return NightRecord.from_events(
        Event(number, T0 + at_s, "night", fact, "") for number, (at_s, fact) in enumerate(facts, 1)
    )


def began(name: str, device: str = "camera") -> Fact:
    return FaultBegan(fault_id=name, device=device, fault="silent", message="gone")


def tried(name: str, remedy: str = "restart_driver", outcome: str = "done") -> Fact:
    return RemedyTried(fault_id=name, remedy=remedy, attempt=1, outcome=outcome)  # type: ignore[arg-type]


def dying(record: NightRecord, name: str, at_s: float) -> bool:
    return keeps_dying(record.faults[name], record.faults.values(), T0 + at_s)


def test_a_driver_that_died_once_is_well_when_it_is_back():
    assert not dying(record_of((0.0, began("1")), (3.0, tried("1"))), "1", 4.0)
    assert not dying(record_of((0.0, began("1"))), "1", 4.0), "silent, and the same driver"


def test_a_driver_that_died_twice_must_run_for_a_while():
    twice = record_of((0.0, began("1")), (3.0, tried("1")), (9.0, tried("1")))
    assert dying(twice, "1", 10.0)
    assert dying(twice, "1", 9.0 + 299.0)
    assert not dying(twice, "1", 9.0 + 300.0)


def test_attempts_that_failed_are_no_restarts():
    failed = tried("1", outcome="failed")
    assert not dying(record_of((0.0, began("1")), (3.0, failed), (9.0, tried("1"))), "1", 10.0)


def test_a_second_silence_soon_after_the_first_goes_on_with_its_count():
    over = FaultEnded(fault_id="1", how="the camera is back")
    first = [(0.0, began("1")), (3.0, tried("1")), (8.0, over)]
    soon = record_of(*first, (200.0, began("2")), (203.0, tried("2")))
    assert dying(soon, "2", 210.0)
    late = record_of(*first, (400.0, began("2")), (403.0, tried("2")))
    assert not dying(late, "2", 410.0)
    other = record_of(*first, (200.0, began("2", "mount")), (203.0, tried("2")))
    assert not dying(other, "2", 210.0)


def test_what_is_left_of_a_silence_begins_with_the_restart():
    facts = [(0.0, began("1")), (1.0, tried("1", "power_cycle", "failed")), (3.0, tried("1"))]
    facts.append((9.0, tried("1", "reconnect", "failed")))
    left = closed_link(record_of(*facts).faults["1"])
    assert left.began.fault == "not_connected"
    assert left.began_at_utc_s == T0 + 3.0
    assert [remedy.remedy for _, remedy in left.remedies] == ["reconnect"]
