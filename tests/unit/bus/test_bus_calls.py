from __future__ import annotations

import asyncio
import itertools
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import ClassVar

import pytest

from midwatch.bus import (
    Answer,
    Caller,
    CallTimeoutError,
    CommandError,
    ErrorKind,
    MemoryBroker,
    MemoryBus,
    Request,
    Responder,
    Topics,
    decode,
    encode,
)
from midwatch.bus.calls import seeded_ids
from midwatch.bus.responder import MAX_RUNNING, SWEEP_AT
from midwatch.clock import VirtualClock
from midwatch.virtual_time import run_virtual

START = datetime(2026, 11, 25, 12, tzinfo=UTC)
TOPICS = Topics("hill", "rig")
Scenario = Callable[[MemoryBus, MemoryBus, VirtualClock], Awaitable[None]]


def run(scenario: Scenario) -> None:
    async def main() -> None:
        broker = MemoryBroker()
        async with MemoryBus(broker, "host") as host, MemoryBus(broker, "daemon") as daemon:
            await scenario(host, daemon, VirtualClock(START))

    run_virtual(main)


def test_an_unanswered_request_is_repeated_with_growing_pauses() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        heard = host.subscribe(TOPICS.commands("mount"))
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            calling = asyncio.create_task(caller.call("mount", "slew", {}, timeout_s=200.0))
            times, requests = [], []
            for _ in range(6):
                requests.append(decode(Request, (await heard.get()).payload))
                times.append(clock.mono())
            with pytest.raises(CallTimeoutError):
                await calling
        assert times == [0.0, 5.0, 15.0, 35.0, 75.0, 135.0]
        assert len({request.id for request in requests}) == 1
        assert requests[0].deadline == START + timedelta(seconds=200)
        assert clock.mono() == 200.0

    run(scenario)


class HastyClock(VirtualClock):
    """Goes as if it were a scaled one: a machine that is 2 s late makes 100 s of it."""

    speed: ClassVar[float] = 51.0


def test_in_scaled_time_an_answer_may_be_late_by_what_a_busy_machine_is() -> None:
    async def late(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock, after_s: float) -> None:
        async def answer(_command: str, _request: Request) -> None:
            await clock.sleep(after_s)

        served = asyncio.create_task(Responder(host, TOPICS, "mount", clock, answer).run())
        try:
            async with Caller(daemon, TOPICS, clock, 1) as caller:
                await caller.call("mount", "slew", {}, timeout_s=5.0)
        finally:
            served.cancel()
            await asyncio.wait((served,))

    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        with pytest.raises(CallTimeoutError):
            await late(host, daemon, clock, 6.0)
        await late(host, daemon, HastyClock(START), 104.0)

    run(scenario)


def test_a_short_call_is_repeated_within_its_timeout() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        heard = host.subscribe(TOPICS.commands("mount"))
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            with pytest.raises(CallTimeoutError):
                await caller.call("mount", "slew", {}, timeout_s=2.0)
        heard.close()
        assert len([message async for message in heard]) == 3  # at 0, 0.5 and 1.5 s

    run(scenario)


def test_a_reconnection_repeats_at_once() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            daemon.drop()
            calling = asyncio.create_task(caller.call("mount", "slew", {}, timeout_s=100.0))
            await clock.sleep(1.0)
            heard = host.subscribe(TOPICS.commands("mount"))
            await daemon.restore()
            request = decode(Request, (await heard.get()).payload)
            assert clock.mono() == 1.0
            await host.publish(request.reply_to, encode(Answer(id=request.id, ok=True)))
            assert await calling == {}

    run(scenario)


def test_a_cancelled_call_forgets_and_the_late_answer_does_no_harm() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        heard = host.subscribe(TOPICS.commands("mount"))
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            calling = asyncio.create_task(caller.call("mount", "slew", {}, timeout_s=100.0))
            request = decode(Request, (await heard.get()).payload)
            calling.cancel()
            with pytest.raises(asyncio.CancelledError):
                await calling
            await host.publish(request.reply_to, encode(Answer(id=request.id, ok=True)))
            await clock.sleep(1.0)
            assert caller.malformed == 0

    run(scenario)


def test_ids_differ_between_clients_and_seeds_and_repeat_with_both() -> None:
    def first(client: str, seed: int) -> list[str]:
        return list(itertools.islice(seeded_ids(client, seed), 100))

    everything = [*first("a", 1), *first("a", 2), *first("b", 1)]
    assert len(set(everything)) == 300
    assert first("a", 1) == first("a", 1)


class Slow:
    """A handler that waits until released."""

    def __init__(self) -> None:
        self.began: list[str] = []
        self.release = asyncio.Event()

    async def handle(self, command: str, request: Request) -> None:
        self.began.append(request.id)
        await self.release.wait()


def ask(number: int, deadline: datetime) -> bytes:
    return encode(
        Request(
            id=f"r{number}", reply_to=TOPICS.reply("daemon"), deadline=deadline, sender="daemon"
        )
    )


def test_a_sender_gone_wild_is_reported_that_the_device_is_busy() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        slow = Slow()
        responder = Responder(host, TOPICS, "mount", clock, slow.handle)
        answers = daemon.subscribe(TOPICS.reply("daemon"))
        serving = asyncio.create_task(responder.run())
        for number in range(MAX_RUNNING + 1):
            await daemon.publish(
                TOPICS.do("mount", "slew"), ask(number, START + timedelta(hours=1))
            )
        answer = decode(Answer, (await answers.get()).payload)
        assert answer.id == f"r{MAX_RUNNING}"
        assert answer.error is not None
        assert (answer.error.kind, answer.error.retryable) == (ErrorKind.BUSY, True)
        slow.release.set()
        for _ in range(MAX_RUNNING):
            assert decode(Answer, (await answers.get()).payload).ok
        assert len(slow.began) == MAX_RUNNING
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)

    run(scenario)


def test_answers_are_kept_until_their_deadline_and_swept_afterwards() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        done: list[str] = []

        async def handle(command: str, request: Request) -> None:
            done.append(request.id)

        responder = Responder(host, TOPICS, "mount", clock, handle)
        topic = TOPICS.do("mount", "slew")
        serving = asyncio.create_task(responder.run())
        total = 3 * SWEEP_AT
        for number in range(total):
            await daemon.publish(topic, ask(number, clock.now() + timedelta(seconds=10)))
            await clock.sleep(0.1)
        assert len(done) == total
        assert len(responder._kept) < 2 * SWEEP_AT
        for number in range(total - 99, total):  # all whose deadline has not passed
            await daemon.publish(topic, ask(number, clock.now() + timedelta(seconds=10)))
        await clock.sleep(0.1)
        assert len(done) == total
        assert responder.counters.duplicate == 99
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)

    run(scenario)


def test_stopping_cancels_what_runs_and_says_so() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        responder = Responder(host, TOPICS, "mount", clock, Slow().handle)
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            serving = asyncio.create_task(responder.run())
            calling = asyncio.create_task(caller.call("mount", "slew", {}, timeout_s=100.0))
            await clock.sleep(1.0)
            serving.cancel()
            with pytest.raises(asyncio.CancelledError):
                await serving
            with pytest.raises(CommandError) as caught:
                await calling
            assert caught.value.kind is ErrorKind.CANCELLED
            assert clock.mono() == 1.0

    run(scenario)


def test_leaving_the_bus_ends_the_service_and_what_runs() -> None:
    async def main() -> None:
        clock = VirtualClock(START)
        slow = Slow()
        broker = MemoryBroker()
        async with MemoryBus(broker, "daemon") as daemon:
            async with MemoryBus(broker, "host") as host:
                serving = asyncio.create_task(
                    Responder(host, TOPICS, "mount", clock, slow.handle).run()
                )
                await daemon.publish(TOPICS.do("mount", "slew"), ask(1, START + timedelta(hours=1)))
                await clock.sleep(1.0)
            await serving
        assert slow.began == ["r1"]

    run_virtual(main)


def test_an_answer_that_found_the_bus_down_is_sent_at_the_next_connection() -> None:
    async def scenario(host: MemoryBus, daemon: MemoryBus, clock: VirtualClock) -> None:
        slow = Slow()
        responder = Responder(host, TOPICS, "mount", clock, slow.handle)
        async with Caller(daemon, TOPICS, clock, 1) as caller:
            serving = asyncio.create_task(responder.run())
            calling = asyncio.create_task(caller.call("mount", "slew", {}, timeout_s=100.0))
            await clock.sleep(1.0)
            host.drop()
            slow.release.set()
            await clock.sleep(1.0)
            await host.restore()
            assert await calling == {}
            assert clock.mono() == 2.0
            assert len(slow.began) == 1
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)

    run(scenario)
