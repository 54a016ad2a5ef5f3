"""A daemon that dies and comes back in a night, and whoever tries to take its place meanwhile."""

from __future__ import annotations

from pathlib import Path

from midwatch.bus import CommandError, ErrorKind, Lease, MemoryBus, encode
from midwatch.journal.facts import (
    DutyBegan,
    FaultBegan,
    FrameFiled,
    HostAccount,
    NightBegan,
    NightEnded,
)
from midwatch.orders.injected import ScheduledFault
from support.by_hand import FIRST_LIGHT_S, Hand, night, write

DIED_S, DEAD_FOR_S = FIRST_LIGHT_S + 200.0, 60.0


def test_the_next_life_commands_at_once_and_nobody_else_does_meanwhile(tmp_path: Path) -> None:
    print("seed 1")
    refused: list[ErrorKind] = []

    async def act(hand: Hand) -> None:
        await hand.until(DIED_S + 1.0)
        async with MemoryBus(hand.broker, "stranger") as bus:
            while hand.clock.unix_s() < DIED_S + DEAD_FOR_S - 1.0:
                lease = Lease(holder="stranger", seq=1, at=hand.clock.now(), ttl_s=600.0)
                await bus.publish(hand.topics.night_lease, encode(lease))
                try:
                    await hand.caller.call(
                        "mount", "track", {"on": False}, timeout_s=5.0, lease="stranger"
                    )
                except CommandError as error:
                    refused.append(error.kind)
                await hand.clock.sleep(10.0)

    killed = (ScheduledFault(DIED_S, DIED_S + DEAD_FOR_S, "daemon-killed"),)
    seen = night(tmp_path / "night", write(tmp_path / "orders"), act, faults=killed)
    lives = seen.facts(NightBegan)
    assert len(lives) == 2
    assert lives[0].holder == lives[1].holder
    assert refused
    assert set(refused) == {ErrorKind.NO_LEASE}
    assert [fault.message for fault in seen.facts(FaultBegan)] == []
    duties = [e.at_utc_s for e in seen.events if isinstance(e.fact, DutyBegan)]
    back_s = DIED_S + DEAD_FOR_S
    assert any(back_s <= at_s <= back_s + 60.0 for at_s in duties)
    accounts = [fact for fact in seen.facts(HostAccount) if fact.told and fact.lease_s]
    assert {holder for a in accounts for holder, _ in a.holders} == {lives[0].holder}
    assert all(a.counts["lease_refused"] >= 5 for a in accounts)
    (promise,) = [p for p in seen.outcome.summary.promises if p.number == 10]
    assert promise.ok
    end = seen.facts(NightEnded)[-1]
    assert (end.parked, end.warm, end.closed) == (True, True, True)


def test_a_daemon_that_comes_back_finds_devices_of_which_the_broker_knows_nothing(
    tmp_path: Path,
) -> None:
    """Retained messages may be gone: what was told only once must be told again."""
    faults = (
        ScheduledFault(DIED_S - 100.0, DIED_S - 100.0, "retained-lost"),
        ScheduledFault(DIED_S, DIED_S + DEAD_FOR_S, "daemon-killed"),
    )
    seen = night(tmp_path / "night", write(tmp_path / "orders"), faults=faults)
    assert [fact.fault for fact in seen.facts(FaultBegan) if fact.fault == "missing"] == []
    back_s = DIED_S + DEAD_FOR_S
    frames = [e for e in seen.events if isinstance(e.fact, FrameFiled)]
    assert any(back_s <= e.at_utc_s <= back_s + 600.0 for e in frames)
    end = seen.facts(NightEnded)[-1]
    assert (end.parked, end.warm, end.closed) == (True, True, True)


def test_drivers_die_on_while_no_daemon_is_there_to_hear_of_it(tmp_path: Path) -> None:
    faults = (
        ScheduledFault(DIED_S - 5.0, DIED_S + 40.0, "mount-driver-crash-loop"),
        ScheduledFault(DIED_S, DIED_S + DEAD_FOR_S, "daemon-killed"),
    )
    seen = night(tmp_path / "night", write(tmp_path / "orders"), faults=faults)
    assert len(seen.facts(NightBegan)) == 2
    assert seen.facts(NightEnded)[-1].parked
    assert [p for p in seen.outcome.summary.promises if p.ok is False] == []
