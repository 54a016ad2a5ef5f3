"""One contract for every bus: in process, on the embedded broker, on a real Mosquitto.

What the contract says is MQTT 3.1.1 (OASIS standard, 2014): retained messages 3.3.1.3, wills
3.1.2.5, filters 4.7, order 4.6. Mosquitto, which is not ours, passes the same assertions.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from contract.bus_benches import Bench, EmbeddedBench, MemoryBench, MosquittoBench
from midwatch.bus import Bus, BusUnavailableError, Message, Subscription
from support.pace import LIMIT_S

ROOT = "midwatch/hill/rig"


@pytest.fixture(params=["memory", "embedded", "mosquitto"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Bench:
    if request.param == "memory":
        return MemoryBench()
    return (EmbeddedBench if request.param == "embedded" else MosquittoBench)(tmp_path)


@asynccontextmanager
async def joined(bench: Bench, *names: str) -> AsyncIterator[list[Bus]]:
    """Participants that are connected."""
    buses = [bench.bus(name) for name in names]
    for bus in buses:
        await bus.__aenter__()
    try:
        for bus in buses:
            await bus.wait_connected(LIMIT_S)
        yield buses
    finally:
        for bus in reversed(buses):
            await bus.__aexit__(None, None, None)


async def take(bench: Bench, subscription: Subscription) -> Message:
    async with bench.clock.timeout(LIMIT_S):
        return await subscription.get()


async def until(bench: Bench, condition: Callable[[], bool]) -> None:
    async with bench.clock.timeout(LIMIT_S):
        while not condition():
            await bench.clock.sleep(0.01)


async def has_arrived(bench: Bench, bus: Bus) -> None:
    """Wait until the broker has all that was published here: other connections ask it next."""
    async with bus.subscribe(f"{ROOT}/marker/state") as echo:
        await seen_before_marker(bench, bus, echo)


async def seen_before_marker(bench: Bench, bus: Bus, subscription: Subscription) -> list[Message]:
    """Everything that arrives before a message published now."""
    await bus.publish(f"{ROOT}/marker/state", b"marker")
    seen = []
    while (message := await take(bench, subscription)).payload != b"marker":
        seen.append(message)
    return seen


def run(bench: Bench, scenario: Callable[..., Awaitable[None]], *names: str) -> None:
    async def main() -> None:
        async with joined(bench, *names) as buses:
            await scenario(*buses)

    bench.run(main)


def test_retained_messages_come_first_and_live_ones_carry_no_flag(bench: Bench) -> None:
    topic = f"{ROOT}/cam/state"

    async def scenario(driver: Bus, daemon: Bus, late: Bus) -> None:
        await driver.publish(topic, b"one", retain=True)
        await driver.publish(topic, b"two", retain=True)
        await has_arrived(bench, driver)
        states = daemon.subscribe(topic)
        assert await take(bench, states) == Message(topic, b"two", True)
        await driver.publish(topic, b"three", retain=True)
        assert await take(bench, states) == Message(topic, b"three", False)
        await driver.publish(topic, b"", retain=True)
        assert await take(bench, states) == Message(topic, b"", False)
        everything = late.subscribe(f"{ROOT}/+/state")
        assert await seen_before_marker(bench, late, everything) == []

    run(bench, scenario, "driver", "daemon", "late")


def test_each_subscription_of_one_participant_gets_each_message_once(bench: Bench) -> None:
    topic = f"{ROOT}/cam/state"

    async def scenario(driver: Bus, daemon: Bus) -> None:
        await driver.publish(topic, b"kept", retain=True)
        await has_arrived(bench, driver)
        patterns = [
            (topic,), (topic,), (f"{ROOT}/+/state",), (f"{ROOT}/#",),
            (topic, f"{ROOT}/cam/+", f"{ROOT}/#"),
        ]  # fmt: skip
        subscriptions = [daemon.subscribe(*several) for several in patterns]
        await daemon.wait_connected(LIMIT_S)
        await daemon.publish(f"{ROOT}/other", b"all in force")
        await driver.publish(topic, b"live")
        for subscription in subscriptions:
            seen = await seen_before(bench, subscription, b"live")
            assert [m for m in seen if m.topic == topic] == [Message(topic, b"kept", True)]
        await driver.publish(topic, b"end")
        for subscription in subscriptions:
            assert await seen_before(bench, subscription, b"end") == []

    async def seen_before(bench: Bench, subscription: Subscription, last: bytes) -> list[Message]:
        seen = []
        while (message := await take(bench, subscription)).payload != last:
            if message.topic != f"{ROOT}/other":
                seen.append(message)
        return seen

    run(bench, scenario, "driver", "daemon")


# Cases of MQTT 3.1.1 section 4.7.1, with our words where the standard plays tennis.
TOPICS = ["rig", "rig/cam", "rig/cam/state", "rig/cam/do/expose", "rig//state", "other/cam", "/rig"]
FILTERS = {
    "rig/#": {"rig", "rig/cam", "rig/cam/state", "rig/cam/do/expose", "rig//state"},
    "rig/+": {"rig/cam"},
    "rig/+/state": {"rig/cam/state", "rig//state"},
    "+/cam": {"rig/cam", "other/cam"},
    "+": {"rig"},
    "+/+": {"rig/cam", "other/cam", "/rig"},
    "/+": {"/rig"},
    "#": set(TOPICS),
    "rig/cam/do/+": {"rig/cam/do/expose"},
    "rig/cam": {"rig/cam"},
}


def test_wildcards(bench: Bench) -> None:
    async def scenario(driver: Bus, daemon: Bus) -> None:
        subscriptions = {pattern: daemon.subscribe(pattern) for pattern in FILTERS}
        await daemon.wait_connected(LIMIT_S)
        await daemon.publish("all/in/force", b"")
        for topic in TOPICS:
            await driver.publish(topic, b"x")
        seen: dict[str, list[str]] = {pattern: [] for pattern in FILTERS}
        for pattern, subscription in subscriptions.items():
            while len(seen[pattern]) < len(FILTERS[pattern]):
                if (topic := (await take(bench, subscription)).topic) != "all/in/force":
                    seen[pattern].append(topic)
        await bench.clock.sleep(0.3)  # for what should not come
        for pattern, subscription in subscriptions.items():
            subscription.close()
            seen[pattern] += [m.topic async for m in subscription if m.topic != "all/in/force"]
            assert sorted(seen[pattern]) == sorted(FILTERS[pattern]), pattern

    run(bench, scenario, "driver", "daemon")


def test_malformed_filters_are_refused(bench: Bench) -> None:
    async def scenario(daemon: Bus) -> None:
        for pattern in ("", "a#", "a/#/b", "a+/b", "a/b\0"):
            with pytest.raises(ValueError, match=r"filter|topic"):
                daemon.subscribe(pattern)

    run(bench, scenario, "daemon")


def test_a_wildcard_cannot_be_published_to(bench: Bench) -> None:
    async def scenario(driver: Bus) -> None:
        with pytest.raises(ValueError, match="wildcard"):
            await driver.publish("a/+/b", b"")

    run(bench, scenario, "driver")


def test_order_is_kept_and_nothing_is_lost(bench: Bench) -> None:
    async def scenario(driver: Bus, daemon: Bus) -> None:
        events = daemon.subscribe(f"{ROOT}/+/event/+")
        await daemon.publish(f"{ROOT}/x/state", b"")
        for number in range(500):
            await driver.publish(f"{ROOT}/cam/event/{number % 3}", str(number).encode())
        got = [int((await take(bench, events)).payload) for _ in range(500)]
        assert got == list(range(500))
        assert events.dropped == 0

    run(bench, scenario, "driver", "daemon")


def test_a_full_queue_drops_the_oldest_and_counts(bench: Bench) -> None:
    async def scenario(driver: Bus, daemon: Bus) -> None:
        slow = daemon.subscribe(f"{ROOT}/cam/state", limit=10)
        await daemon.publish(f"{ROOT}/x/state", b"")
        for number in range(100):
            await driver.publish(f"{ROOT}/cam/state", str(number).encode())
        await until(bench, lambda: slow.dropped == 90)
        got = [int((await take(bench, slow)).payload) for _ in range(10)]
        assert got == list(range(90, 100))

    run(bench, scenario, "driver", "daemon")


def test_large_binary_payloads_arrive_whole(bench: Bench) -> None:
    payload = bytes(range(256)) * 2000

    async def scenario(driver: Bus, daemon: Bus) -> None:
        states = daemon.subscribe(f"{ROOT}/cam/state")
        await daemon.publish(f"{ROOT}/x/state", b"")
        await driver.publish(f"{ROOT}/cam/state", payload)
        assert (await take(bench, states)).payload == payload

    run(bench, scenario, "driver", "daemon")


def test_a_closed_subscription_ends_and_receives_no_more(bench: Bench) -> None:
    async def scenario(driver: Bus, daemon: Bus) -> None:
        async with daemon.subscribe(f"{ROOT}/cam/state") as first:
            await daemon.publish(f"{ROOT}/x/state", b"")
            await driver.publish(f"{ROOT}/cam/state", b"kept", retain=True)
            assert (await take(bench, first)).payload == b"kept"
        await driver.publish(f"{ROOT}/cam/state", b"newer", retain=True)
        await has_arrived(bench, driver)
        assert [message async for message in first] == []
        again = daemon.subscribe(f"{ROOT}/cam/state")
        assert await take(bench, again) == Message(f"{ROOT}/cam/state", b"newer", True)

    run(bench, scenario, "driver", "daemon")


def test_leaving_ends_the_readers(bench: Bench) -> None:
    async def main() -> None:
        async with joined(bench, "daemon") as (daemon,):
            subscription = daemon.subscribe("a/b")

            async def read() -> list[Message]:
                return [message async for message in subscription]

            reader = asyncio.create_task(read())
            await bench.clock.sleep(0.01)
        assert await reader == []
        assert not daemon.connected
        with pytest.raises(BusUnavailableError):
            await daemon.publish("a/b", b"")

    bench.run(main)


def test_the_will_of_a_killed_participant_is_published_and_retained(bench: Bench) -> None:
    topic = f"{ROOT}/cam/online"

    async def scenario(daemon: Bus, late: Bus) -> None:
        online = daemon.subscribe(topic)
        await daemon.publish("x", b"")
        kill = await bench.killed_participant(topic, b"lost")
        await kill()
        assert await take(bench, online) == Message(topic, b"lost", False)
        assert await take(bench, late.subscribe(topic)) == Message(topic, b"lost", True)

    run(bench, scenario, "daemon", "late")


def test_a_participant_that_leaves_in_order_has_no_will_published(bench: Bench) -> None:
    async def scenario(daemon: Bus) -> None:
        everything = daemon.subscribe(f"{ROOT}/#")
        driver = bench.bus("driver")
        driver.set_will(f"{ROOT}/cam/online", b"lost")
        async with driver:
            await driver.wait_connected(LIMIT_S)
            with pytest.raises(RuntimeError, match="before"):
                driver.set_will(f"{ROOT}/cam/online", b"late")
        await bench.clock.sleep(0.3)
        assert await seen_before_marker(bench, daemon, everything) == []

    run(bench, scenario, "daemon")


def count_and_republish(bus: Bus, topic: str, calls: list[str]) -> None:
    async def republish() -> None:
        calls.append(topic)
        await bus.publish(topic, f"life {len(calls)}".encode(), retain=True)

    bus.on_connect(republish)


def test_after_a_cut_everything_is_subscribed_and_published_again(bench: Bench) -> None:
    topic = f"{ROOT}/cam/state"
    calls: list[str] = []

    async def scenario(daemon: Any) -> None:
        driver: Any = bench.bus("driver")
        count_and_republish(driver, topic, calls)
        async with driver:
            await driver.wait_connected(LIMIT_S)
            states = daemon.subscribe(topic, f"{ROOT}/#")
            assert (await take(bench, states)).payload == b"life 1"
            await bench.cut(driver)
            assert await take(bench, states) == Message(topic, b"life 2", False)
            await bench.cut(daemon)
            assert await take(bench, states) == Message(topic, b"life 2", True)
            await daemon.wait_connected(LIMIT_S)
            await driver.publish(topic, b"live")
            assert await take(bench, states) == Message(topic, b"live", False)
        assert len(calls) == 2

    run(bench, scenario, "daemon")


def test_a_broker_that_was_killed_and_started_again_is_found_again(bench: Bench) -> None:
    topic = f"{ROOT}/cam/state"
    calls: list[str] = []

    async def scenario(daemon: Bus) -> None:
        driver = bench.bus("driver")
        count_and_republish(driver, topic, calls)
        async with driver:
            states = daemon.subscribe(topic)
            assert (await take(bench, states)).payload == b"life 1"
            await bench.stop_broker()
            await until(bench, lambda: not driver.connected and not daemon.connected)
            with pytest.raises(BusUnavailableError):
                await driver.publish(topic, b"nowhere")
            with pytest.raises(BusUnavailableError):
                await driver.wait_connected(0.05)
            await bench.start_broker()
            await driver.wait_connected(LIMIT_S)
            await daemon.wait_connected(LIMIT_S)
            assert (await take(bench, states)).payload == b"life 2"
        assert len(calls) == 2

    run(bench, scenario, "daemon")


def test_an_error_in_a_connect_callback_does_no_harm(bench: Bench) -> None:
    calls: list[str] = []

    async def scenario(daemon: Bus) -> None:
        driver = bench.bus("driver")

        async def fail() -> None:
            raise KeyError("broken participant")

        driver.on_connect(fail)
        count_and_republish(driver, f"{ROOT}/cam/state", calls)
        async with driver:
            states = daemon.subscribe(f"{ROOT}/cam/state")
            assert (await take(bench, states)).payload == b"life 1"

    run(bench, scenario, "daemon")
