"""A whole rehearsed rig among hostile messages: nothing crashes, nothing moves, each is counted."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

from midwatch.bus import MemoryBroker, MemoryBus
from midwatch.bus.interface import QUEUE_BYTES
from midwatch.journal.facts import HostAccount, NightBegan, NightEnded
from support.by_hand import FIRST_LIGHT_S, Hand, Seen, night, write
from support.hostile_messages import HostileSource

MESSAGES = 3_000
# So many at a time that no queue and no limit of commands at once is met: all must be counted.
BURST = 40
ROLES = ("mount", "camera", "focuser", "guider", "weather", "roof", "flat_panel")


async def flood(hand: Hand, source: HostileSource, messages: int, over_s: float) -> None:
    """Send messages in bursts, spread evenly over a stretch of the night."""
    bus = MemoryBus(hand.broker, "stranger")
    async with bus:
        for _ in range(messages // BURST):
            for message in source.take(BURST, hand.clock.now()):
                await bus.publish(message.topic, message.payload)
            await hand.clock.sleep(over_s / (messages / BURST))


def what_happened(seen: Seen) -> list[Any]:
    return [(e.at_utc_s, e.fact) for e in seen.events if not isinstance(e.fact, HostAccount)]


def test_hostile_messages_change_nothing_and_are_all_counted(tmp_path: Path) -> None:
    path = write(tmp_path / "orders")
    sources: list[HostileSource] = []

    async def act(hand: Hand) -> None:
        sources.append(HostileSource(hand.topics, ROLES, 7))
        # From connecting, through the whole night, until the rig is nearly closed.
        await hand.until(FIRST_LIGHT_S - 4500.0)
        await flood(hand, sources[0], MESSAGES, 5700.0)

    seen = night(tmp_path / "hostile", path, act)
    calm = night(tmp_path / "calm", path)
    # Not one decision, motion or frame differs in anything, the instant included.
    assert what_happened(seen) == what_happened(calm)
    (source,) = sources
    content = json.loads((tmp_path / "hostile" / "2027-03-10" / "night.json").read_text())
    counted = {
        (entry["device"], reason): count
        for entry in content["turned_away"]
        for reason, count in entry["counts"].items()
    }
    before = {
        (entry.device, reason): count
        for entry in calm.facts(HostAccount)
        for reason, count in entry.counts.items()
    }
    # The daemon itself asks again when an answer takes long: such repeats are there in any night.
    assert {reason for _, reason in before} <= {"duplicate"}
    expected = dict(source.expected)
    repeats = {key for key in expected if key[1] == "duplicate"}
    assert all(counted[key] >= expected[key] for key in repeats)
    for key in counted.keys() | expected.keys():
        assert key[1] == "duplicate" or counted.get(key) == expected.get(key), key
    reasons = {reason for _, reason in expected}
    assert reasons == {
        "malformed",
        "oversized",
        "expired",
        "unknown",
        "bad_args",
        "no_lease",
        "duplicate",
        "lease_malformed",
        "lease_refused",
        "devices_malformed",
    }
    assert sum(source.expected.values()) > 0.9 * MESSAGES
    promise = next(p for p in seen.outcome.summary.promises if p.number == 10)
    assert promise.ok is True
    (began,) = seen.facts(NightBegan)
    for entry in seen.facts(HostAccount):
        assert [name for name, _ in entry.holders] in ([began.holder], [])
        assert "stranger" not in entry.senders
    assert seen.facts(NightEnded)


def test_a_queue_nobody_reads_is_bounded_in_messages_and_in_bytes() -> None:
    async def main() -> None:
        broker = MemoryBroker()
        async with MemoryBus(broker, "slow") as slow, MemoryBus(broker, "stranger") as stranger:
            waiting = slow.subscribe("a/#")
            for _ in range(200):
                await stranger.publish("a/b", b"x" * 1_000_000)
            await stranger.publish("a/b", b"last")
            waiting.close()
            found = [len(message.payload) async for message in waiting]
            assert sum(found) <= QUEUE_BYTES
            assert found[-1] == 4  # the newest is kept
            assert waiting.dropped == 201 - len(found)

    asyncio.run(main())
