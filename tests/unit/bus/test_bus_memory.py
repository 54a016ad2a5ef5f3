from __future__ import annotations

import asyncio
import subprocess
import sys
from datetime import UTC, datetime

import pytest

from midwatch.bus import BusUnavailableError, MemoryBroker, MemoryBus, Message, Subscription
from midwatch.bus.interface import SubscriptionClosedError
from midwatch.clock import VirtualClock
from midwatch.virtual_time import run_virtual


def clock() -> VirtualClock:
    return VirtualClock(datetime(2026, 11, 25, 12, tzinfo=UTC))


def subscription(limit: int = 10) -> Subscription:
    return Subscription(("a",), limit, lambda _: None)


def test_a_cancelled_reader_loses_no_message() -> None:
    async def main() -> None:
        queue = subscription()
        first = asyncio.create_task(queue.get())
        second = asyncio.create_task(queue.get())
        await asyncio.sleep(0)
        queue.offer(Message("a", b"1"))  # wakes the first, which is cancelled before it runs
        first.cancel()
        assert (await second).payload == b"1"
        with pytest.raises(asyncio.CancelledError):
            await first

    run_virtual(main)


def test_a_reader_that_times_out_leaves_the_message_for_the_next() -> None:
    async def main() -> None:
        queue = subscription()
        with pytest.raises(TimeoutError):
            async with clock().timeout(1.0):
                await queue.get()
        queue.offer(Message("a", b"1"))
        assert (await queue.get()).payload == b"1"

    run_virtual(main)


def test_closing_wakes_every_reader_and_leaves_what_waited() -> None:
    async def main() -> None:
        queue = subscription()
        readers = [asyncio.create_task(queue.get()) for _ in range(3)]
        await asyncio.sleep(0)
        queue.offer(Message("a", b"1"))
        queue.close()
        queue.close()
        queue.offer(Message("a", b"2"))
        results = await asyncio.gather(*readers, return_exceptions=True)
        assert results[0] == Message("a", b"1")
        assert all(isinstance(error, SubscriptionClosedError) for error in results[1:])

    run_virtual(main)


def test_impossible_subscriptions_are_refused() -> None:
    bus = MemoryBus(MemoryBroker(), "daemon")
    with pytest.raises(ValueError, match="at least one filter"):
        bus.subscribe()
    with pytest.raises(ValueError, match="limit"):
        bus.subscribe("a", limit=0)


def test_waiting_for_a_connection_ends_with_it_or_in_time() -> None:
    async def main() -> None:
        broker = MemoryBroker()
        broker.stop()
        async with MemoryBus(broker, "daemon") as bus:
            with pytest.raises(BusUnavailableError):
                await bus.wait_connected(5.0)
            assert asyncio.get_running_loop().time() == 5.0
            waiting = asyncio.create_task(bus.wait_connected(60.0))
            await asyncio.sleep(1.0)
            await broker.start()
            await waiting
            assert asyncio.get_running_loop().time() == 6.0

    run_virtual(main)


# MQTT 3.1.1 (OASIS 2014), 3.1.4-2: a second client of the same name throws the first one out.
def test_a_second_participant_of_the_same_name_replaces_the_first() -> None:
    async def main() -> None:
        broker = MemoryBroker()
        first, second = MemoryBus(broker, "driver"), MemoryBus(broker, "driver")
        first.set_will("cam/online", b"lost")
        async with first, second:
            assert (first.connected, second.connected) == (False, True)
            assert broker.retained("cam/online") == b"lost"

    run_virtual(main)


def test_a_stopped_broker_forgets_or_keeps_as_reported() -> None:
    async def main() -> None:
        for keep, expected in ((False, None), (True, b"kept")):
            broker = MemoryBroker()
            async with MemoryBus(broker, "driver") as bus:
                await bus.publish("cam/state", b"kept", retain=True)
                broker.stop(keep_retained=keep)
                await broker.start()
                assert broker.retained("cam/state") == expected

    run_virtual(main)


def test_messages_are_handed_over_in_the_order_of_subscription() -> None:
    async def main() -> list[str]:
        broker = MemoryBroker()
        order: list[str] = []
        async with MemoryBus(broker, "a") as first, MemoryBus(broker, "b") as second:

            async def read(name: str, queue: Subscription) -> None:
                await queue.get()
                order.append(name)

            queues = {"b1": second.subscribe("x"), "a1": first.subscribe("#"),
                      "b2": second.subscribe("+")}  # fmt: skip
            async with asyncio.TaskGroup() as tasks:
                for name, queue in reversed(queues.items()):
                    tasks.create_task(read(name, queue))
                await asyncio.sleep(1.0)
                await first.publish("x", b"")
        return order

    assert run_virtual(main) == ["b1", "a1", "b2"]


def test_the_in_process_bus_loads_no_network_stack() -> None:
    script = (
        "import sys, midwatch.bus, midwatch.bus.memory;"
        "print(sorted({'aiomqtt', 'paho', 'iotcore', 'numpy'} & set(sys.modules)))"
    )
    assert subprocess.check_output([sys.executable, "-c", script]).strip() == b"[]"
