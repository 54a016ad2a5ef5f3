"""Commands over the bus: one side asks, the other does, and both survive lost messages.

A command carries an id. Asking again with the same id is always harmless: the device answers
what it answered before, or goes on with what it is doing. So the asking side repeats itself
whenever it is in doubt.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections.abc import Iterator, Mapping
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
from midwatch.clock import Clock
from midwatch.errors import MidwatchError, RetryableError

_log = structlog.get_logger(__name__)

# A repeated request costs one small message. Asking sooner burdens slow devices for nothing,
# later wastes that much dark time after a lost message. The pause doubles up to the maximum.
RESEND_FIRST_S = 5.0
RESEND_MAX_S = 60.0


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

    def __init__(self, device: str, command: str, timeout_s: float) -> None:
        super().__init__(f"{device} {command}: no answer within {timeout_s:g} s")
        self.device = device
        self.command = command
        self.timeout_s = timeout_s


def seeded_ids(client_id: str, seed: int) -> Iterator[str]:
    """Endless request ids that no other client and no other seed gives."""
    stem = hashlib.blake2b(f"{seed}/{client_id}".encode(), digest_size=6).hexdigest()
    number = 0
    while True:
        number += 1
        yield f"{stem}-{number}"


def is_notable(count: int) -> bool:
    """Whether the log should tell of the count-th message of a kind: 1, 2, 4, 8 ...

    Whoever floods the bus would flood the log otherwise.
    """
    return count & (count - 1) == 0


class _Pending:
    """A call that waits for its answer."""

    def __init__(self, topic: str, payload: bytes) -> None:
        self.topic = topic
        self.payload = payload
        self.answer: Answer | None = None
        self.answered = asyncio.Event()


class Caller:
    """Asks devices to do things. Use as an async context manager inside that of the bus.

    `ids` gives request ids, or is a seed for them. A process that restarts within the deadline
    of its last requests needs another seed, or it is given the answers of its former life.
    Deadlines are instants of UTC: the clocks of the machines must agree to well under a second.

    Attributes:
        malformed: answers that were not understood.
        unasked: answers to nothing that is being asked: late ones, or of strangers.
    """

    def __init__(self, bus: Bus, topics: Topics, clock: Clock, ids: Iterator[str] | int) -> None:
        self.malformed = 0
        self.unasked = 0
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._ids = seeded_ids(bus.client_id, ids) if isinstance(ids, int) else ids
        self._reply_to = topics.reply(bus.client_id)
        self._pending: dict[str, _Pending] = {}
        self._reader: asyncio.Task[None] | None = None
        self._replies = bus.subscribe(self._reply_to)
        bus.on_connect(self._resend_all)

    async def __aenter__(self) -> Self:
        self._reader = asyncio.create_task(self._read(), name=f"answers to {self._bus.client_id}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._reader is not None
        self._replies.close()
        self._reader.cancel()
        await asyncio.gather(self._reader, return_exceptions=True)

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
            CommandError: the device refused or failed.
            CallTimeoutError: no answer within `timeout_s` seconds, whether the device or the
                whole bus is silent.
            ValueError: the request cannot be written as JSON.
            OversizedError: the request is too long.
        """
        request = Request(
            id=next(self._ids),
            reply_to=self._reply_to,
            deadline=self._clock.now() + timedelta(seconds=timeout_s),
            lease=lease,
            sender=self._bus.client_id,
            args=args.model_dump(mode="json") if isinstance(args, BaseModel) else dict(args),
        )
        pending = _Pending(self._topics.do(device, command), encode(request))
        self._pending[request.id] = pending
        try:
            # The answer may still come in the very last moment: it decides, not the timeout.
            with contextlib.suppress(TimeoutError):
                async with self._clock.timeout(timeout_s):
                    await self._insist(pending, timeout_s)
        finally:
            del self._pending[request.id]
        if pending.answer is None:
            raise CallTimeoutError(device, command, timeout_s)
        error = pending.answer.error
        if error is not None:
            raise CommandError(error.kind, error.message, error.retryable, device, command)
        return pending.answer.result or {}

    async def _insist(self, pending: _Pending, timeout_s: float) -> None:
        pause_s = min(RESEND_FIRST_S, timeout_s / 4.0)
        while True:
            await self._send(pending)
            try:
                async with self._clock.timeout(pause_s):
                    await pending.answered.wait()
                    return
            except TimeoutError:
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
            pending.answered.set()
