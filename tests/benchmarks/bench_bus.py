"""How fast the in-process bus and virtual time are. Run: python tests/benchmarks/bench_bus.py."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

from midwatch.bus import (
    Caller,
    MemoryBroker,
    MemoryBus,
    Request,
    Responder,
    StateEnvelope,
    Topics,
    decode,
    encode,
)
from midwatch.clock import VirtualClock
from midwatch.virtual_time import run_virtual

START = datetime(2026, 11, 25, 12, tzinfo=UTC)
TOPICS = Topics("hill", "rig")
COUNT = 100_000


async def idle_hops() -> None:
    for _ in range(COUNT):
        await asyncio.sleep(1.0)


async def hops_beside_others() -> None:
    async def sleeper() -> None:
        for _ in range(COUNT // 20):
            await asyncio.sleep(1.0)

    async with asyncio.TaskGroup() as tasks:
        for _ in range(20):
            tasks.create_task(sleeper())


async def messages() -> None:
    broker = MemoryBroker()
    async with MemoryBus(broker, "driver") as driver, MemoryBus(broker, "daemon") as daemon:
        states = daemon.subscribe(f"{TOPICS.root}/+/state")
        topic = TOPICS.state("mount")

        async def read() -> None:
            for _ in range(COUNT):
                await states.get()

        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(read())
            for _ in range(COUNT):
                await driver.publish(topic, b"state", retain=True)
                await asyncio.sleep(0)


async def states() -> None:
    envelope = StateEnvelope(seq=1, at=START, state={f"axis_{n}_deg": n * 1.5 for n in range(10)})
    for _ in range(COUNT):
        decode(StateEnvelope, encode(envelope))


async def commands() -> None:
    clock = VirtualClock(START)
    broker = MemoryBroker()

    async def handle(command: str, request: Request) -> None:
        await clock.sleep(0.1)

    async with MemoryBus(broker, "driver") as driver, MemoryBus(broker, "daemon") as daemon:
        serving = asyncio.create_task(Responder(driver, TOPICS, "mount", clock, handle).run())
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            for _ in range(COUNT // 10):
                await caller.call("mount", "slew", {"ra_deg": 1.0}, timeout_s=60.0)
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)


def main() -> None:
    """Print microseconds of processor time for one unit of each kind."""
    for work, count in (
        (idle_hops, COUNT),
        (hops_beside_others, COUNT),
        (messages, COUNT),
        (states, COUNT),
        (commands, COUNT // 10),
    ):
        began_s = time.process_time()
        run_virtual(work)
        spent_s = time.process_time() - began_s
        print(
            f"{work.__name__:20} {1e6 * spent_s / count:8.2f} us each, {count} in {spent_s:.2f} s"
        )


if __name__ == "__main__":
    main()
