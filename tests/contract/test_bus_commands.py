"""Commands over every bus: done at most once, whatever is lost, repeated or malformed."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ConfigDict

from contract.bus_benches import Bench, EmbeddedBench, MemoryBench, MosquittoBench
from midwatch.bus import (
    Answer,
    Bus,
    Caller,
    CallTimeoutError,
    CommandError,
    ErrorKind,
    Request,
    Responder,
    Subscription,
    Topics,
    decode,
    encode,
)
from midwatch.bus.envelopes import MAX_JSON_BYTES
from support.pace import LIMIT_S

TOPICS = Topics("Dark Hill", "Rig 1")
DO = TOPICS.do("mount", "slew")
REPLY = TOPICS.reply("tester")


@pytest.fixture(params=["memory", "embedded", "mosquitto"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Bench:
    if request.param == "memory":
        return MemoryBench()
    return (EmbeddedBench if request.param == "embedded" else MosquittoBench)(tmp_path)


class SlewArgs(BaseModel):
    model_config = ConfigDict(extra="forbid")

    ra_deg: float


class Mount:
    """A mount that counts what it really does."""

    def __init__(self) -> None:
        self.slews: list[float] = []
        self.go_on = asyncio.Event()

    async def handle(self, command: str, request: Request) -> dict[str, Any] | None:
        if command == "slew":
            args = SlewArgs.model_validate(request.args)
            self.slews.append(args.ra_deg)
            return {"ra_deg": args.ra_deg}
        if command == "wait":
            self.slews.append(-1.0)
            await self.go_on.wait()
            return None
        if command == "break":
            raise ZeroDivisionError("a defect of the driver")
        if command == "flood":
            return {"text": "x" * (MAX_JSON_BYTES + 1)}
        if command == "abort":
            raise asyncio.CancelledError
        if command == "flip":
            raise CommandError(ErrorKind.LIMIT, "the meridian limit is 5 deg away", True)
        raise CommandError(ErrorKind.UNKNOWN_COMMAND, f"a mount does not {command}")


class Stage:
    """A connected mount, a caller, and a tester who speaks raw messages."""

    def __init__(self, bench: Bench, mount: Mount, buses: list[Any], caller: Caller) -> None:
        self.bench = bench
        self.mount = mount
        self.host, self.daemon, self.tester = buses
        self.caller = caller
        self.responder: Responder
        self.answers: Subscription = self.tester.subscribe(REPLY)

    async def call(self, command: str, timeout_s: float = LIMIT_S, **args: Any) -> dict[str, Any]:
        return await self.caller.call("mount", command, args, timeout_s=timeout_s)

    def request(self, **changed: Any) -> bytes:
        fields = {
            "id": "r1",
            "reply_to": REPLY,
            "deadline": (self.bench.clock.now() + timedelta(seconds=LIMIT_S)).isoformat(),
            "lease": None,
            "sender": "tester",
            "args": {"ra_deg": 10.0},
        }
        return json.dumps(fields | changed).encode()

    async def say(self, payload: bytes, topic: str = DO, retain: bool = False) -> None:
        await self.tester.publish(topic, payload, retain=retain)

    async def answer(self) -> Answer:
        async with self.bench.clock.timeout(LIMIT_S):
            return decode(Answer, (await self.answers.get()).payload)

    async def until(self, condition: Callable[[], bool]) -> None:
        async with self.bench.clock.timeout(LIMIT_S):
            while not condition():
                await self.bench.clock.sleep(0.01)


def perform(bench: Bench, scenario: Callable[[Stage], Awaitable[None]]) -> None:
    async def main() -> None:
        buses: list[Bus] = [bench.bus(name) for name in ("host", "daemon", "tester")]
        mount = Mount()
        responder = Responder(buses[0], TOPICS, "mount", bench.clock, mount.handle)
        caller = Caller(buses[1], TOPICS, bench.clock, 1)
        stage = Stage(bench, mount, buses, caller)
        stage.responder = responder
        async with buses[0], buses[1], buses[2], caller:
            for bus in buses:
                await bus.wait_connected(LIMIT_S)
            serving = asyncio.create_task(responder.run())
            await scenario(stage)
            assert not serving.done()
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)

    bench.run(main)


def test_a_command_is_done_and_its_result_comes_back(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        assert await stage.call("slew", ra_deg=83.6) == {"ra_deg": 83.6}
        result = await stage.caller.call("mount", "slew", SlewArgs(ra_deg=1.0), timeout_s=LIMIT_S)
        assert result == {"ra_deg": 1.0}
        assert stage.mount.slews == [83.6, 1.0]
        assert stage.responder.counters.done == 2

    perform(bench, scenario)


FAILURES = [
    ("flip", ErrorKind.LIMIT, True),
    ("dance", ErrorKind.UNKNOWN_COMMAND, False),
    ("slew", ErrorKind.BAD_ARGS, False),
    ("break", ErrorKind.INTERNAL, False),
    ("flood", ErrorKind.INTERNAL, False),
    ("abort", ErrorKind.CANCELLED, False),
]


def test_every_failure_is_an_answer_and_the_next_command_is_done(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        for command, kind, retryable in FAILURES:
            with pytest.raises(CommandError) as caught:
                await stage.call(command)
            error = caught.value
            assert (error.kind, error.retryable) == (kind, retryable), command
            assert (error.device, error.command) == ("mount", command)
            assert await stage.call("slew", ra_deg=2.0) == {"ra_deg": 2.0}
        counters = stage.responder.counters
        assert (counters.failed, counters.unknown, counters.done) == (6, 1, 6)

    perform(bench, scenario)


def test_a_duplicate_gets_the_first_answer_and_is_not_done_twice(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        await stage.say(stage.request())
        first = await stage.answer()
        await stage.say(stage.request(args={"ra_deg": 99.0}))
        assert await stage.answer() == first
        assert stage.mount.slews == [10.0]
        assert stage.responder.counters.duplicate == 1

    perform(bench, scenario)


def test_a_duplicate_of_a_running_command_joins_it(bench: Bench) -> None:
    wait = TOPICS.do("mount", "wait")

    async def scenario(stage: Stage) -> None:
        for _ in range(3):
            await stage.say(stage.request(), wait)
        await stage.until(lambda: stage.responder.counters.duplicate == 2)
        stage.mount.go_on.set()
        assert (await stage.answer()).ok
        await stage.say(stage.request(id="r2"))
        assert (await stage.answer()).id == "r2"  # nothing came in between
        assert stage.mount.slews == [-1.0, 10.0]

    perform(bench, scenario)


def test_a_command_past_its_deadline_is_not_begun(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        late = (stage.bench.clock.now() - timedelta(seconds=1)).isoformat()
        await stage.say(stage.request(deadline=late))
        answer = await stage.answer()
        assert answer.error is not None
        assert answer.error.kind is ErrorKind.EXPIRED
        assert stage.mount.slews == []
        assert stage.responder.counters.expired == 1

    perform(bench, scenario)


# What anybody may put on the bus. A reply address can be read in those marked.
GARBAGE = [
    (b"", False),
    (b"\xff\xfe\x00", False),
    (b"null", False),
    (b"[" * 50_000, False),
    (b'{"id": "g", "reply_to": "%s"}' % REPLY.encode(), True),
    (b'{"id": "g", "reply_to": 7, "sender": "x"}', False),
    (b'{"id": "g", "reply_to": "%s", "deadline": NaN}' % REPLY.encode(), False),
    (b'{"id": "g", "reply_to": "%s", "sender": "x", "args": {}, "deadline": "soon"}'
     % REPLY.encode(), True),
    (b'{"id": "g", "reply_to": "%s", "sender": "x", "args": {}, "colour": 1, '
     b'"deadline": "2026-11-25T12:00:00Z"}' % REPLY.encode(), True),
    (b'{"id": "g", "reply_to": "%s", "sender": "x", "args": {}, '
     b'"deadline": "2026-11-25T12:00:00"}' % REPLY.encode(), True),
    (b'{"id": "g", "reply_to": "%s", "sender": "x", "args": {}, '
     b'"deadline": "0001-01-01T00:00:00+20:00"}' % REPLY.encode(), True),
]  # fmt: skip


def test_malformed_messages_are_counted_and_answered_where_possible(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        for payload, answered in GARBAGE:
            await stage.say(payload)
            if answered:
                answer = await stage.answer()
                assert answer.id == "g"
                assert answer.error is not None
                assert answer.error.kind is ErrorKind.MALFORMED
        await stage.say(stage.request())
        assert (await stage.answer()).id == "r1"
        assert stage.responder.counters.malformed == len(GARBAGE)
        assert stage.mount.slews == [10.0]

    perform(bench, scenario)


def test_oversized_retained_and_misdirecting_requests_are_dropped(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        spy = stage.daemon.subscribe(TOPICS.commands("roof"))
        await stage.daemon.publish("x", b"")
        await stage.say(stage.request(args={"text": "x" * MAX_JSON_BYTES}))
        await stage.say(stage.request(id="a", reply_to=TOPICS.do("roof", "open")))
        await stage.say(b'{"id": "b", "reply_to": "%s"}' % TOPICS.do("roof", "open").encode())
        await stage.say(stage.request(), retain=True)
        assert (await stage.answer()).id == "r1"  # live it is a command like others
        await stage.bench.cut(stage.host)  # at the new connection it comes from storage
        await stage.until(lambda: stage.responder.counters.retained == 1)
        assert stage.mount.slews == [10.0]
        assert stage.responder.counters.oversized == 1
        assert stage.responder.counters.malformed == 2
        spy.close()
        assert [message async for message in spy] == []

    perform(bench, scenario)


def test_an_answer_survives_the_loss_of_either_connection(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        for broken in (stage.host, stage.daemon):
            stage.mount.go_on.clear()
            calling = asyncio.create_task(stage.call("wait", timeout_s=LIMIT_S))
            await stage.until(lambda: stage.mount.slews == [-1.0])
            await stage.bench.cut(broken)
            stage.mount.go_on.set()
            assert await calling == {}
            assert stage.mount.slews == [-1.0]
            stage.mount.slews.clear()

    perform(bench, scenario)


def test_an_answer_lost_with_the_broker_is_asked_for_again(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        calling = asyncio.create_task(stage.call("wait", timeout_s=LIMIT_S))
        await stage.until(lambda: stage.mount.slews == [-1.0])
        await stage.bench.stop_broker()
        await stage.until(lambda: not stage.host.connected and not stage.daemon.connected)
        stage.mount.go_on.set()
        await stage.until(lambda: stage.responder.counters.unanswered == 1)
        await stage.bench.start_broker()
        assert await calling == {}
        assert stage.mount.slews == [-1.0]

    perform(bench, scenario)


def test_silence_becomes_a_timeout(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        with pytest.raises(CallTimeoutError, match=r"roof open: no answer within 0\.2 s"):
            await stage.caller.call("roof", "open", {}, timeout_s=0.2)
        await stage.bench.stop_broker()
        with pytest.raises(CallTimeoutError):
            await stage.call("slew", timeout_s=0.2, ra_deg=1.0)

    perform(bench, scenario)


def test_malformed_answers_are_counted_and_harm_nobody(bench: Bench) -> None:
    async def scenario(stage: Stage) -> None:
        reply = TOPICS.reply("daemon")
        await stage.tester.publish(reply, b"{")
        await stage.tester.publish(reply, encode(Answer(id="nobody asked", ok=True)))
        assert await stage.call("slew", ra_deg=3.0) == {"ra_deg": 3.0}
        await stage.until(lambda: stage.caller.malformed == 1)

    perform(bench, scenario)
