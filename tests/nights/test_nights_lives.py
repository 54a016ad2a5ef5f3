"""A daemon that dies and comes back in a night, and whoever tries to take its place meanwhile."""

from __future__ import annotations

from pathlib import Path

from by_hand import FIRST_LIGHT_S, Hand, night, write
from midwatch.bus.calls import CommandError
from midwatch.bus.envelopes import ErrorKind, Lease, encode
from midwatch.bus.memory import MemoryBus
from midwatch.journal.events import DutyBegan, FaultBegan, NightBegan, NightEnded
from midwatch.journal.hand_events import HostAccount
from midwatch.orders.faults import ScheduledFault

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
    told = night(tmp_path / "night", write(tmp_path / "orders"), act, faults=killed)
    lives = told.facts(NightBegan)
    assert len(lives) == 2
    assert lives[0].holder == lives[1].holder
    assert refused
    assert set(refused) == {ErrorKind.NO_LEASE}
    assert [fault.message for fault in told.facts(FaultBegan)] == []
    duties = [e.at_utc_s for e in told.events if isinstance(e.fact, DutyBegan)]
    back_s = DIED_S + DEAD_FOR_S
    assert any(back_s <= at_s <= back_s + 60.0 for at_s in duties)
    accounts = [fact for fact in told.facts(HostAccount) if fact.told and fact.lease_s]
    assert {holder for a in accounts for holder, _ in a.holders} == {lives[0].holder}
    assert all(a.counts["lease_refused"] >= 5 for a in accounts)
    (promise,) = [p for p in told.outcome.summary.promises if p.number == 10]
    assert promise.ok
    end = told.facts(NightEnded)[-1]
    assert (end.parked, end.warm, end.closed) == (True, True, True)
