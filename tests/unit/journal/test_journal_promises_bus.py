"""Promises 2, 6, 7 and 10 over histories with silences, deaths, resumes and faults."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.journal.facts import (
    Activity,
    DecisionMade,
    DutyBegan,
    DutyEnded,
    Fact,
    FaultBegan,
    FaultEnded,
    HostAccount,
    LeaseUnheard,
    NightBegan,
    NightEnded,
    Notice,
    RemedyTried,
    Sample,
    Silence,
)
from midwatch.journal.promises import Inventory, Promise, check_promises
from midwatch.journal.record import NightRecord, account
from midwatch.journal.store import Event
from support.journal_story import CONTEXT

DUSK, DAWN = 1_000_000.0, 1_030_000.0
LEASE_S = 60.0
NOTHING = Inventory({}, frozenset())


def began(holder: str = "midwatch-1", *, resumed: bool = False) -> NightBegan:
    return NightBegan(
        night="n", site="s", rig="r", evening="2027-03-10", seed=1, rehearsal=True,
        sky_mode="fast", dusk_utc_s=DUSK, dawn_utc_s=DAWN, orders_sha256="0", resumed=resumed,
        version="0", holder=holder,
    )  # fmt: skip


def host(device: str = "mount", *silences: Silence, since_s: float = DUSK - 100.0,
         holders: tuple[tuple[str, float], ...] = ()) -> HostAccount:  # fmt: skip
    return HostAccount(
        device=device, since_utc_s=since_s, lease_s=LEASE_S,
        counts={"malformed": 3, "duplicate": 2}, holders=holders, senders=("midwatch",),
        silences=silences,
    )  # fmt: skip


def end() -> NightEnded:
    return NightEnded(how="", parked=True, warm=True, closed=True)


def seen(*facts: tuple[float, Fact]) -> list[Event]:
    return [Event(n, at, "n", fact, "") for n, (at, fact) in enumerate(facts, start=1)]


def judged(events: list[Event]) -> dict[int, Promise]:
    record = NightRecord.from_events(events)
    ledger = account(events, DUSK, DAWN)
    found = check_promises(events, record, ledger, NOTHING, CONTEXT, "")
    return {promise.number: promise for promise in found}


# 2: silence ------------------------------------------------------------------------------------

DIED, BACK = DUSK + 1000.0, DUSK + 3000.0
SOUND = Silence(DIED - 10.0, DIED + 50.0, DIED + 80.0, BACK)


def night_with(*accounts: HostAccount, back_s: float = BACK) -> list[Event]:
    facts: list[tuple[float, Fact]] = [
        (DUSK - 50.0, began()),
        (DIED, Notice(message="the last that was heard of this life")),
        (back_s, began("midwatch-2", resumed=True)),
        (DAWN, end()),
        *((DAWN + 1.0, one) for one in accounts),
    ]
    return seen(*facts)


def test_a_device_that_came_to_rest_in_time_keeps_the_second_promise() -> None:
    promise = judged(night_with(host("mount", SOUND), host("camera", SOUND)))[2]
    assert promise.ok is True
    assert "2 silences of 2 devices" in promise.detail


def test_without_evidence_the_second_promise_is_broken() -> None:
    assert judged(night_with(host("mount")))[2].ok is False
    assert "reports nothing of the 2000 s" in judged(night_with(host("mount")))[2].detail
    assert judged(night_with())[2].ok is False
    assert "no device gave an account" in judged(night_with())[2].detail
    elsewhere = Silence(DUSK + 9000.0, DUSK + 9060.0, DUSK + 9070.0, DUSK + 9100.0)
    assert judged(night_with(host("mount", elsewhere)))[2].ok is False


def cut_off(*accounts: HostAccount, for_s: float = 2000.0) -> list[Event]:
    """A night whose daemon lives, and is not heard for some time."""
    return seen(
        (DUSK - 50.0, began()),
        (DIED + for_s, LeaseUnheard(from_utc_s=DIED, until_utc_s=DIED + for_s)),
        *((DIED + for_s + 30.0, one) for one in accounts),
        (DAWN, end()),
    )


def test_where_only_the_bus_was_away_each_host_has_to_tell_of_it_too() -> None:
    assert judged(cut_off(host("mount", SOUND), host("camera", SOUND)))[2].ok is True
    broken = judged(cut_off(host("mount", SOUND), host("camera")))[2]
    assert broken.ok is False
    assert "the camera reports nothing of the 2000 s in which the bus was away" in broken.detail
    assert judged(cut_off())[2].ok is False
    mute = host("mount").model_copy(update={"told": False, "lease_s": 0.0})
    assert judged(cut_off(mute))[2].ok is False
    # Little longer than the lease, and a driver that is younger.
    assert 2 not in judged(cut_off(host("mount"), for_s=LEASE_S + 1.0))
    assert 2 not in judged(cut_off(host("mount", since_s=DIED + 500.0)))


def test_what_a_driver_reported_before_it_was_started_again_still_counts() -> None:
    events = cut_off(host("mount", SOUND))
    later = seen(*((e.at_utc_s, e.fact) for e in events), (DAWN + 1.0, host(since_s=BACK + 100.0)))
    assert judged(later)[2].ok is True


@pytest.mark.parametrize(("ended_after_s", "kept"), [(60.0, True), (5000.0, False)])
def test_a_driver_that_ended_while_it_still_had_time_to_come_to_rest_is_not_blamed(
    ended_after_s: float, kept: bool
) -> None:
    noticed_s = DIED + 50.0
    assert 60.0 < CONTEXT.close_within_s < 5000.0
    under_way = Silence(DIED - 10.0, noticed_s, None, None)
    lives = (host("mount", under_way), host("mount", since_s=noticed_s + ended_after_s))
    assert judged(night_with(*lives))[2].ok is kept
    assert judged(night_with(*reversed(lives)))[2].ok is kept


def test_what_a_driver_went_through_wholly_it_has_to_report_though_it_was_started_again() -> None:
    for since_s, kept in ((BACK - 500.0, True), (BACK + 500.0, False)):
        lives = (host("mount"), host("mount", since_s=since_s))
        found = judged(night_with(*lives, host("camera", SOUND)))[2]
        assert found.ok is kept


def test_who_has_no_lease_is_no_host() -> None:
    page = host("page").model_copy(update={"lease_s": 0.0})
    assert judged(night_with(host("mount", SOUND), page))[2].ok is True


def test_a_night_without_silence_says_nothing_of_the_second_promise() -> None:
    assert 2 not in judged(seen((DUSK - 50.0, began()), (DAWN, end()), (DAWN, host())))
    # A death so short that the lease need not have ended.
    assert 2 not in judged(night_with(host("mount"), back_s=DIED + 30.0))


def test_a_driver_started_in_the_silence_cannot_tell_of_it() -> None:
    assert 2 not in judged(night_with(host("mount", since_s=DIED + 500.0)))


def test_what_is_late_or_never_comes_to_rest_breaks_the_second_promise() -> None:
    late = SOUND._replace(noticed_utc_s=DIED + 300.0)
    assert "noticed a silence after 310 s" in judged(night_with(host("mount", late)))[2].detail
    slow = SOUND._replace(at_rest_utc_s=DIED + 50.0 + CONTEXT.close_within_s + 10.0)
    assert "only 250 s after its lease" in judged(night_with(host("roof", slow)))[2].detail
    never = SOUND._replace(at_rest_utc_s=None)
    assert "did not come to rest" in judged(night_with(host("mount", never)))[2].detail
    # A camera warms slowly: it has begun, and need not be done.
    assert judged(night_with(host("camera", never)))[2].ok is True
    # The daemon came back before the time was over.
    soon = never._replace(over_utc_s=DIED + 60.0)
    assert judged(night_with(host("mount", soon)))[2].ok is True


def test_a_clock_that_was_set_does_not_hide_a_silence() -> None:
    shifted = Silence(*(None if at is None else at + 7200.0 for at in SOUND))  # type: ignore[arg-type]
    assert judged(night_with(host("mount", shifted)))[2].ok is True


# 10: whom devices obey -------------------------------------------------------------------------


def test_only_leases_of_this_night_may_be_obeyed() -> None:
    ours = (("midwatch-1", DUSK), ("midwatch-2", BACK))
    promise = judged(night_with(host("mount", SOUND, holders=ours)))[10]
    assert promise.ok is True
    assert "turned 3 messages away" in promise.detail
    foreign = (*ours, ("stranger", DUSK + 5.0))
    promise = judged(night_with(host("mount", SOUND, holders=foreign)))[10]
    assert promise.ok is False
    assert "the mount obeyed stranger" in promise.detail
    # Hosts may be older than the night: whom they obeyed then is another night's affair.
    earlier = (("midwatch-0", DUSK - 86400.0), *ours)
    assert judged(night_with(host("mount", SOUND, holders=earlier)))[10].ok is True


def test_without_accounts_nothing_is_claimed() -> None:
    assert judged(seen((DUSK - 50.0, began()), (DAWN, end())))[10].ok is None


# 6 and 7: any history --------------------------------------------------------------------------

CAUSES = ("open_shutter", "slewing", "fault", "waiting_for_target", "unsafe", "paused", "deciding")
STEPS = st.lists(
    st.tuples(st.sampled_from(["activity", "duty", "fault", "remedy", "mended", "sample", "death"]),
              st.integers(0, 2500), st.integers(0, 6)),
    max_size=40,
)  # fmt: skip


def history(steps: list[tuple[str, int, int]], *, ends: bool, start_s: float) -> list[Event]:
    """A history as a daemon writes it, with deaths in the middle of anything."""
    at, lives, faults = start_s, 1, 0
    standing: list[str] = []
    facts: list[tuple[float, Fact]] = [(at, began())]
    for step, pause_s, which in steps:
        at += pause_s + 0.25 * which
        if step == "activity":
            facts.append((at, Activity(cause=CAUSES[which])))  # type: ignore[arg-type]
        elif step == "duty":
            args = {"target": f"T{which}"}
            facts.append((at, DecisionMade(duty="slew", args=args, rule="r", reason="it is time")))
            facts.append((at, DutyBegan(duty="slew", args=args)))
            if which % 2:
                facts.append((at + 0.5, DutyEnded(duty="slew", outcome="done", took_s=0.5)))
                at += 0.5
        elif step == "fault":
            faults += 1
            standing.append(f"{faults:03d}-mount-x")
            facts.append((at, FaultBegan(fault_id=standing[-1], device="mount", fault="x",
                                         message="m")))  # fmt: skip
        elif step == "remedy" and standing:
            facts.append((at, RemedyTried(fault_id=standing[which % len(standing)], remedy="retry",
                                          attempt=1, outcome="failed")))  # fmt: skip
        elif step == "mended" and standing:
            gone = standing.pop(which % len(standing))
            facts.append((at, FaultEnded(fault_id=gone, how="it went")))
        elif step == "sample":
            facts.append((at, Sample()))
        elif step == "death":
            lives += 1
            facts.append((at, began(f"midwatch-{lives}", resumed=True)))
    if ends:
        facts.append((at + 1.0, end()))
    return seen(*facts)


@settings(max_examples=60)
@given(STEPS, st.booleans(), st.floats(-5000.0, 5000.0))
def test_every_second_and_every_fault_survive_deaths(
    steps: list[tuple[str, int, int]], ends: bool, start_s: float
) -> None:
    events = history(steps, ends=ends, start_s=DUSK + start_s)
    promises = judged(events)
    ledger = account(events, DUSK, DAWN)
    assert sum(ledger.seconds.values()) == DAWN - DUSK
    assert promises[6].ok is True, promises[6].detail
    assert promises[7].ok is True, promises[7].detail
    # A daemon that is dead spends its time under no other cause.
    record = NightRecord.from_events(events)
    assert record.resumed == sum(step == "death" for step, _, _ in steps)
    standing = len(record.open_faults())
    assert f"still open: {standing}" in promises[7].detail


@settings(max_examples=30)
@given(STEPS.filter(lambda steps: any(step == "fault" for step, _, _ in steps)), st.data())
def test_a_history_with_a_hole_breaks_the_seventh(
    steps: list[tuple[str, int, int]], data: st.DataObject
) -> None:
    """Take the beginning of a fault away that is remedied or ended later."""
    events = history([*steps, ("fault", 1, 0), ("mended", 1, 0)], ends=True, start_s=DUSK)
    ended = [e.fact.fault_id for e in events if isinstance(e.fact, FaultEnded)]
    gone = data.draw(st.sampled_from(ended))
    holed = [e for e in events if not (isinstance(e.fact, FaultBegan) and e.fact.fault_id == gone)]
    promise = judged(holed)[7]
    assert promise.ok is False
    # Details name the first few only.
    assert gone in promise.detail or " more" in promise.detail
