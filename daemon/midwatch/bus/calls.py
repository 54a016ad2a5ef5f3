"""Commands over the bus: one side asks, the other does, and both survive lost messages.

A command carries an id. Asking again with the same id is always harmless: the device answers
what it answered before, or goes on with what it is doing. So the asking side repeats itself
whenever it is in doubt.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import math
from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from types import TracebackType
from typing import Self

import structlog
from pydantic import BaseModel, JsonValue

from midwatch.bus.envelopes import (
    Answer,
    ErrorKind,
    JsonObject,
    MalformedError,
    Request,
    decode,
    encode,
)
from midwatch.bus.interface import Bus, BusUnavailableError, Message
from midwatch.bus.topics import Topics
from midwatch.clock import Clock, lateness_s
from midwatch.errors import MidwatchError, RetryableError
from midwatch.tasks import Tasks, end

_log = structlog.get_logger(__name__)

# A repeated request costs one small message. Asking sooner burdens slow devices for nothing,
# later wastes that much dark time after a lost message. The pause doubles up to the maximum.
RESEND_FIRST_S = 5.0
RESEND_MAX_S = 60.0
# Clocks are rounded: a shorter wait might end before its time, again and again.
_INSTANT_S = 1e-3


class CommandError(MidwatchError):
    """A device refused a command or failed at it."""

    def __init__(
        self,
        kind: ErrorKind,
        message: str,
        retryable: bool = False,
        device: str = "",
        command: str = "",
    ) -> None:
        where = f"{device} {command}: " if device else ""
        super().__init__(f"{where}{message} ({kind.value})")
        self.kind = kind
        self.message = message
        self.retryable = retryable
        self.device = device
        self.command = command


class CallTimeoutError(RetryableError):
    """No answer came in time; whether the command was done is unknown."""

    def __init__(self, device: str, command: str, timeout_s: float, why: str | None = None) -> None:
        super().__init__(f"{device} {command}: {why or f'no answer within {timeout_s:g} s'}")
        self.device = device
        self.command = command
        self.timeout_s = timeout_s


class DeviceLostError(CallTimeoutError):
    """The device went away while it was asked: its answer is not waited for any longer."""


def seeded_ids(client_id: str, seed: int) -> Iterator[str]:
    """Endless request ids that no other client and no other seed gives."""
    stem = hashlib.blake2b(f"{seed}/{client_id}".encode(), digest_size=6).hexdigest()
    number = 0
    while True:
        number += 1
        yield f"{stem}-{number}"


def is_notable(count: int) -> bool:
    """Whether the log should mention the count-th message of a kind: 1, 2, 4, 8 ...

    A sender that floods the bus would flood the log otherwise.
    """
    return count & (count - 1) == 0


def result_of(answer: Answer, device: str, command: str) -> JsonObject:
    """Return the result of an answer (empty if it gives none).

    Raises:
        CommandError: the device refused or failed.
    """
    error = answer.error
    if error is not None:
        raise CommandError(error.kind, error.message, error.retryable, device, command)
    return answer.result or {}


class _Pending:
    """A call that waits for its answer."""

    def __init__(
        self, device: str, topic: str, payload: bytes, lost_in_s: Callable[[], float]
    ) -> None:
        self.device = device
        self.topic = topic
        self.payload = payload
        self.lost_in_s = lost_in_s
        self.answer: Answer | None = None
        self.news = asyncio.Event()


class Caller:
    """Asks devices to do things. Use as an async context manager inside that of the bus.

    `ids` gives request ids, or is a seed for them. A process that restarts within the deadline
    of its last requests needs another seed, or it is given the answers of its former life.
    Deadlines are instants of UTC: the clocks of the machines must agree to well under a second.
    `tasks` keeps the task that receives answers; one of its own by default.

    Attributes:
        malformed: answers that were not understood.
        unasked: answers to nothing that is being asked: late ones, or of strangers.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        clock: Clock,
        ids: Iterator[str] | int,
        tasks: Tasks | None = None,
    ) -> None:
        self.malformed = 0
        self.unasked = 0
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._ids = seeded_ids(bus.client_id, ids) if isinstance(ids, int) else ids
        self._reply_to = topics.reply(bus.client_id)
        self._pending: dict[str, _Pending] = {}
        self._tasks = tasks or Tasks(clock)
        self._reader: asyncio.Task[None] | None = None
        self._replies = bus.subscribe(self._reply_to)
        bus.on_connect(self._resend_all)

    async def __aenter__(self) -> Self:
        name = f"answers to {self._bus.client_id}"
        self._reader = self._tasks.keep(name, self._read, "leave")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._reader is not None
        self._replies.close()
        await end(self._reader, reason="nothing more is asked")

    async def serve(self) -> None:
        """Wait until no more answers can arrive; who waits for no call waits here.

        Raises:
            Exception: what the task that received them died of.
        """
        assert self._reader is not None
        await asyncio.wait((self._reader,))
        self._reader.result()

    async def call(
        self,
        device: str,
        command: str,
        args: BaseModel | Mapping[str, JsonValue],
        *,
        timeout_s: float,
        lease: str | None = None,
    ) -> JsonObject:
        """Have `device` do `command` and return its result (empty if it gives none).

        Raises:
            CommandError: the device refused or failed; others as `ask` has them.
        """
        answer = await self.ask(device, command, args, timeout_s=timeout_s, lease=lease)
        return result_of(answer, device, command)

    async def ask(
        self,
        device: str,
        command: str,
        args: BaseModel | Mapping[str, JsonValue],
        *,
        timeout_s: float,
        lease: str | None = None,
        lost_in_s: Callable[[], float] = lambda: math.inf,
    ) -> Answer:
        """Have `device` do `command` and return its answer, be it a result or an error.

        `lost_in_s` says in how many seconds the device counts as gone if nothing changes; see
        `look_again`.

        Raises:
            DeviceLostError: the device is gone.
            CallTimeoutError: no answer within `timeout_s` seconds (and what the machine may be
                late by in scaled time), whether the device or the whole bus is silent.
            ValueError: the request cannot be written as JSON.
            OversizedError: the request is too long.
        """
        timeout_s += lateness_s(self._clock)
        request = Request(
            id=next(self._ids),
            reply_to=self._reply_to,
            deadline=self._clock.now() + timedelta(seconds=timeout_s),
            lease=lease,
            sender=self._bus.client_id,
            args=args.model_dump(mode="json") if isinstance(args, BaseModel) else dict(args),
        )
        topic = self._topics.do(device, command)
        pending = _Pending(device, topic, encode(request), lost_in_s)
        self._pending[request.id] = pending
        try:
            # The answer may still come in the very last moment: it decides, not the timeout.
            with contextlib.suppress(TimeoutError):
                async with self._clock.timeout(timeout_s):
                    await self._insist(pending, timeout_s)
        finally:
            del self._pending[request.id]
        if pending.answer is None:
            if lost_in_s() <= 0.0:
                why = "the device went away before it answered"
                raise DeviceLostError(device, command, timeout_s, why)
            raise CallTimeoutError(device, command, timeout_s)
        return pending.answer

    def look_again(self, device: str) -> None:
        """Have the calls to a device ask at once whether it is gone."""
        for pending in self._pending.values():
            if pending.device == device:
                pending.news.set()

    async def _insist(self, pending: _Pending, timeout_s: float) -> None:
        """Ask again and again until there is an answer, or no one who could give one."""
        pause_s = min(RESEND_FIRST_S, timeout_s / 4.0)
        while True:
            await self._send(pending)
            again_s = self._clock.mono() + pause_s
            while (left_s := again_s - self._clock.mono()) > _INSTANT_S:
                lost_in_s = pending.lost_in_s()
                if lost_in_s <= 0.0:
                    return
                with contextlib.suppress(TimeoutError):
                    async with self._clock.timeout(max(_INSTANT_S, min(left_s, lost_in_s))):
                        await pending.news.wait()
                pending.news.clear()
                if pending.answer is not None:
                    return
            pause_s = min(2.0 * pause_s, RESEND_MAX_S)

    async def _send(self, pending: _Pending) -> None:
        # If the bus is down it is sent at the next connection, or after the pause.
        with contextlib.suppress(BusUnavailableError):
            await self._bus.publish(pending.topic, pending.payload)

    async def _resend_all(self) -> None:
        for pending in list(self._pending.values()):
            if pending.answer is None:
                await self._send(pending)

    async def _read(self) -> None:
        async for message in self._replies:
            self._take(message)

    def _take(self, message: Message) -> None:
        try:
            answer = decode(Answer, message.payload)
        except MalformedError as error:
            self.malformed += 1
            if is_notable(self.malformed):
                _log.warning("bus_answer_malformed", count=self.malformed, reason=str(error))
            return
        pending = self._pending.get(answer.id)
        if pending is None:
            self.unasked += 1
        elif pending.answer is None:
            pending.answer = answer
            pending.news.set()
