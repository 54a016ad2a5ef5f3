from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import numpy as np

from midwatch.bus import Disturbance, DisturbedBroker, MemoryBus
from midwatch.virtual_time import run_virtual

COUNT = 400


def spared(topic: str) -> bool:
    return topic.endswith("/truth")


async def passed(
    disturbance: Disturbance | None,
    *,
    topic: str = "a/b",
    gap_s: float = 0.1,
    then: Callable[[DisturbedBroker], Awaitable[None]] | None = None,
) -> tuple[list[int], list[float]]:
    """Publish numbers and return what arrives, with its delay."""
    broker = DisturbedBroker(np.random.default_rng(5), spared)
    loop = asyncio.get_running_loop()
    numbers: list[int] = []
    late_s: list[float] = []
    async with MemoryBus(broker, "one") as one, MemoryBus(broker, "two") as two:
        inbox = two.subscribe("a/#", limit=10_000)
        if disturbance is not None:
            broker.disturb("test", disturbance)
        sent_s = {}

        async def read() -> None:
            async for message in inbox:
                number = int(message.payload)
                numbers.append(number)
                late_s.append(loop.time() - sent_s[number])

        reader = asyncio.create_task(read())
        for number in range(COUNT):
            sent_s[number] = loop.time()
            await one.publish(topic, str(number).encode())
            await asyncio.sleep(gap_s)
        if then is not None:
            await then(broker)
        await asyncio.sleep(60.0)
        inbox.close()
        await reader
    return numbers, late_s


def test_nothing_happens_without_a_disturbance():
    numbers, late_s = run_virtual(lambda: passed(None))
    assert numbers == list(range(COUNT))
    assert max(late_s) == 0.0


def test_messages_are_lost_in_the_share_asked_for():
    numbers, _ = run_virtual(lambda: passed(Disturbance(loss=0.1)))
    assert numbers == sorted(set(numbers))
    assert 0.05 * COUNT < COUNT - len(numbers) < 0.16 * COUNT


def test_messages_come_twice():
    numbers, _ = run_virtual(lambda: passed(Disturbance(duplicates=1.0)))
    assert numbers == [number for number in range(COUNT) for _ in range(2)]


def test_late_messages_keep_their_order():
    numbers, late_s = run_virtual(lambda: passed(Disturbance(latency_s=2.0)))
    assert numbers == list(range(COUNT))
    assert 1.5 < float(np.mean(late_s)) < 4.1


def test_reordered_messages_all_arrive_in_another_order():
    disturbance = Disturbance(latency_s=2.0, reordering=True)
    numbers, _ = run_virtual(lambda: passed(disturbance))
    assert sorted(numbers) == list(range(COUNT))
    assert numbers != list(range(COUNT))


def test_spared_topics_are_left_alone():
    numbers, late_s = run_virtual(lambda: passed(Disturbance(loss=1.0), topic="a/truth"))
    assert numbers == list(range(COUNT))
    assert max(late_s) == 0.0


def test_what_is_under_way_is_lost_with_the_broker():
    async def stop(broker: DisturbedBroker) -> None:
        broker.stop()

    numbers, _ = run_virtual(lambda: passed(Disturbance(latency_s=30.0), gap_s=0.01, then=stop))
    assert numbers == []


def test_when_a_disturbance_ends_later_messages_still_wait_for_earlier_ones():
    async def end(broker: DisturbedBroker) -> None:
        broker.disturb("test", None)
        for bus in broker._buses.values():
            if bus.client_id == "one":
                await bus.publish("a/b", b"0")

    numbers, _ = run_virtual(lambda: passed(Disturbance(latency_s=5.0), gap_s=0.001, then=end))
    assert numbers == [*range(COUNT), 0]


def test_the_broker_can_forget_what_it_kept():
    async def main() -> list[bytes]:
        broker = DisturbedBroker(np.random.default_rng(1), spared)
        async with MemoryBus(broker, "one") as one:
            await one.publish("a/b", b"kept", retain=True)
            broker.forget_retained()
            inbox = one.subscribe("a/b")
            inbox.close()
            return [message.payload async for message in inbox]

    assert run_virtual(main) == []
