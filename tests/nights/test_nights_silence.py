"""A daemon that is dead for longer than a lease: each device makes itself safe, and says so."""

from __future__ import annotations

from pathlib import Path

from midwatch.journal.facts import HostAccount, NightBegan
from midwatch.journal.promises import Inventory, check_promises
from midwatch.journal.record import NightRecord, account
from midwatch.journal.store import Event
from midwatch.orders.injected import ScheduledFault
from midwatch.runtime.files import load_orders
from midwatch.runtime.folder import Surroundings
from midwatch.runtime.simulation import with_rare_heartbeats
from support.by_hand import FIRST_LIGHT_S, night, write

DIED_S = FIRST_LIGHT_S + 300.0
DEAD_S = 1500.0


def test_every_host_tells_of_the_silence_and_the_promise_needs_its_word(tmp_path: Path) -> None:
    path = write(tmp_path / "orders")
    killed = (ScheduledFault(DIED_S, DIED_S + DEAD_S, "daemon-killed"),)
    seen = night(tmp_path / "night", path, faults=killed)
    orders = load_orders(path)
    lease_s = with_rare_heartbeats(orders.rig).bus.lease_s
    accounts = {fact.device: fact for fact in seen.facts(HostAccount) if fact.device != "daemon"}
    assert set(accounts) == set(orders.rig.devices.present())
    for name, fact in accounts.items():
        (silence,) = fact.silences
        # The lease is renewed four times within its life.
        assert DIED_S - lease_s / 4 - 1.0 <= silence.heard_utc_s <= DIED_S
        assert abs(silence.noticed_utc_s - silence.heard_utc_s - lease_s) < 1.0
        assert silence.over_utc_s is not None
        assert abs(silence.over_utc_s - DIED_S - DEAD_S) < 5.0
        if name in ("mount", "roof"):
            assert silence.at_rest_utc_s is not None
            assert silence.at_rest_utc_s - silence.noticed_utc_s < 240.0
    # The mount had tracked until then: it was not at rest before it was told.
    moved = accounts["mount"].silences[0]
    assert moved.at_rest_utc_s is not None
    assert moved.at_rest_utc_s > moved.noticed_utc_s
    promises = {p.number: p for p in seen.outcome.summary.promises}
    assert promises[2].ok is True
    assert promises[10].ok is True
    holders = {began.holder for began in seen.facts(NightBegan)}
    assert len(holders) == 1, "the next life holds the lease of the one that died"
    assert {name for name, _ in accounts["camera"].holders} == holders

    began = seen.facts(NightBegan)[0]
    context = Surroundings.of(orders).context()
    # A host that tells nothing of it, and one that never told anything.
    for update in ({"silences": ()}, {"silences": (), "told": False, "lease_s": 0.0}):
        events = [
            Event(e.seq, e.at_utc_s, e.night, e.fact.model_copy(update=update), "")
            if isinstance(e.fact, HostAccount) and e.fact.device == "roof"
            else e
            for e in seen.events
        ]
        record = NightRecord.from_events(events)
        ledger = account(events, began.dusk_utc_s, began.dawn_utc_s)
        judged = check_promises(events, record, ledger, Inventory({}, frozenset()), context, "")
        second = next(p for p in judged if p.number == 2)
        assert second.ok is False
        assert "the roof reports nothing" in second.detail
