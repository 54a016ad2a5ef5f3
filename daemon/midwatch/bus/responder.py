"""The answering side of commands: each is done at most once, and nothing sent can crash it."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass
from datetime import datetime

import structlog
from pydantic import BaseModel, ConfigDict, JsonValue, ValidationError

from midwatch.bus.calls import CommandError
from midwatch.bus.envelopes import (
    Answer,
    ErrorBody,
    ErrorKind,
    MalformedError,
    Name,
    OversizedError,
    Request,
    decode,
    encode,
    explain,
)
from midwatch.bus.interface import Bus, BusUnavailableError, Message
from midwatch.bus.topics import Topics
from midwatch.clock import Clock
from midwatch.tasks import start

_log = structlog.get_logger(__name__)

# Commands of one device that may run at the same time: a handful in practice. More would mean
# a sender gone wild; the answer is that the device is busy.
MAX_RUNNING = 64
# Answers are kept at least until the deadline of their command, since until then a repetition
# would be begun again. Expired ones are swept out when this many are kept.
SWEEP_AT = 256
MAX_KEPT = 4096

# Longest text of a refusal: orders with many mistakes are refused with every one of them.
LONGEST_REFUSAL = 50_000

Handler = Callable[[str, Request], Awaitable[dict[str, JsonValue] | None]]


@dataclass(slots=True)
class Counters:
    """What a responder has seen since it was made.

    `failed` counts all commands that were begun or judged and not done; `unknown`, `no_lease` and
    `bad_args` say of how many of them nothing was begun, and why.
    """

    done: int = 0
    failed: int = 0
    malformed: int = 0
    oversized: int = 0
    expired: int = 0
    duplicate: int = 0
    unknown: int = 0
    retained: int = 0
    busy: int = 0
    unanswered: int = 0
    no_lease: int = 0
    bad_args: int = 0

    def turned_away(self) -> dict[str, int]:
        """Return how many messages led to nothing, by the reason; those that occurred."""
        return {name: n for name, n in asdict(self).items() if n and name not in _SERVED}


_SERVED = frozenset({"done", "failed", "unanswered"})
_REASONS = {
    ErrorKind.UNKNOWN_COMMAND: "unknown",
    ErrorKind.NO_LEASE: "no_lease",
    ErrorKind.BAD_ARGS: "bad_args",
}


class _ReplyAddress(BaseModel):
    """As much of a malformed request as an answer needs."""

    model_config = ConfigDict(extra="ignore")

    id: Name
    reply_to: Name


@dataclass(slots=True)
class _Kept:
    deadline: datetime
    answer: bytes | None = None  # None while the command runs


class Responder:
    """Serves the commands of one device.

    `handler` is called with the command and its request; what it returns is the result. A
    `CommandError` from it is answered as such, a pydantic `ValidationError` as bad_args, and any
    other exception as internal. Commands run concurrently; the handler puts them in order where
    the device needs it. Requests are received from construction on, and done while `run` runs.
    `on_turned_away` is called for each message that leads to nothing, `state_seq` for the number
    of the latest state when a command has ended.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        device: str,
        clock: Clock,
        handler: Handler,
        on_turned_away: Callable[[], None] = lambda: None,
        state_seq: Callable[[], int | None] = lambda: None,
    ) -> None:
        self.counters = Counters()
        self.device = device
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._handler = handler
        self._on_turned_away = on_turned_away
        self._state_seq = state_seq
        self._kept: dict[tuple[str, str], _Kept] = {}
        self._running = 0
        self._sweep_at = SWEEP_AT
        # Answers that found the bus down. Should it be more, the asking side asks again anyway.
        self._unsent: deque[tuple[str, bytes]] = deque(maxlen=MAX_RUNNING)
        self._requests = bus.subscribe(topics.commands(device))
        bus.on_connect(self._send_again)

    async def run(self) -> None:
        """Serve until cancelled, or until the bus is left; running commands are then cancelled.

        It may be called again after an error: it then receives again.
        """
        if self._requests.closed:
            self._requests = self._bus.subscribe(self._topics.commands(self.device))
        try:
            async with asyncio.TaskGroup() as tasks:
                async for message in self._requests:
                    await self._accept(message, tasks)
                raise _LeftError
        except* _LeftError:
            pass
        finally:
            self._requests.close()

    async def _accept(self, message: Message, tasks: asyncio.TaskGroup) -> None:
        if message.retain:
            # A stored command would be done again at each connection: it is never meant.
            self._turn_away("retained")
            return
        try:
            request = decode(Request, message.payload)
        except OversizedError:
            self._turn_away("oversized")
            return
        except MalformedError as error:
            self._turn_away("malformed")
            await self._complain(message, str(error))
            return
        if not self._topics.is_reply(request.reply_to):
            # Answering on any given topic would let others publish with our rights.
            self._turn_away("malformed")
            return
        key = (request.reply_to, request.id)
        kept = self._kept.get(key)
        if kept is not None:
            # A sender in doubt asks again: that is normal.
            self.counters.duplicate += 1
            if kept.answer is not None:
                await self._send(request.reply_to, kept.answer)
            return
        now = self._clock.now()
        if now >= request.deadline:
            self._turn_away("expired")
            await self._refuse(request, ErrorKind.EXPIRED, "arrived after its deadline")
            return
        self._sweep(now)
        if self._running >= MAX_RUNNING or len(self._kept) >= MAX_KEPT:
            self._turn_away("busy")
            await self._refuse(request, ErrorKind.BUSY, "too many commands at once")
            return
        self._kept[key] = kept = _Kept(request.deadline)
        self._running += 1
        command = message.topic.rpartition("/")[2]
        work = self._perform(command, request, kept)
        start(f"{self.device} {command} {request.id}", work, tasks)

    async def _perform(self, command: str, request: Request, kept: _Kept) -> None:
        cancelled = False
        try:
            result = await self._handler(command, request)
            seq = self._state_seq()
            answer = encode(Answer(id=request.id, ok=True, result=result, state_seq=seq))
            self.counters.done += 1
        except asyncio.CancelledError:
            task = asyncio.current_task()
            cancelled = task is not None and task.cancelling() > 0
            answer = self._failure(request, ErrorKind.CANCELLED, f"{command} was cancelled")
        except CommandError as error:
            answer = self._failure(request, error.kind, error.message, error.retryable)
        except ValidationError as error:
            answer = self._failure(request, ErrorKind.BAD_ARGS, explain(error))
        except Exception as error:
            _log.exception("command_failed", device=self.device, command=command)
            answer = self._failure(
                request, ErrorKind.INTERNAL, f"{command} failed: {type(error).__name__}"
            )
        finally:
            self._running -= 1
        kept.answer = answer
        await self._send(request.reply_to, answer)
        if cancelled:
            raise asyncio.CancelledError

    def _failure(
        self, request: Request, kind: ErrorKind, text: str, retryable: bool = False
    ) -> bytes:
        self.counters.failed += 1
        if (reason := _REASONS.get(kind)) is not None:
            self._turn_away(reason)
        return _encode_error(request.id, kind, text, retryable, self._state_seq())

    def _turn_away(self, reason: str) -> None:
        setattr(self.counters, reason, getattr(self.counters, reason) + 1)
        self._on_turned_away()

    async def _complain(self, message: Message, reason: str) -> None:
        try:
            address = decode(_ReplyAddress, message.payload)
        except MalformedError:
            return
        if self._topics.is_reply(address.reply_to):
            answer = _encode_error(address.id, ErrorKind.MALFORMED, reason, False)
            await self._send(address.reply_to, answer)

    async def _refuse(self, request: Request, kind: ErrorKind, text: str) -> None:
        answer = _encode_error(request.id, kind, text, kind is ErrorKind.BUSY)
        await self._send(request.reply_to, answer)

    async def _send(self, reply_to: str, answer: bytes) -> None:
        try:
            await self._bus.publish(reply_to, answer)
        except BusUnavailableError:
            self.counters.unanswered += 1
            self._unsent.append((reply_to, answer))

    async def _send_again(self) -> None:
        for _ in range(len(self._unsent)):
            await self._send(*self._unsent.popleft())

    def _sweep(self, now: datetime) -> None:
        if len(self._kept) < self._sweep_at:
            return
        self._kept = {
            key: kept
            for key, kept in self._kept.items()
            if kept.answer is None or kept.deadline > now
        }
        self._sweep_at = max(SWEEP_AT, 2 * len(self._kept))


class _LeftError(Exception):
    """The bus was left: makes the task group cancel what still runs."""


def _encode_error(
    request_id: str, kind: ErrorKind, text: str, retryable: bool, state_seq: int | None = None
) -> bytes:
    body = ErrorBody(kind=kind, message=text[:LONGEST_REFUSAL], retryable=retryable)
    return encode(Answer(id=request_id, ok=False, error=body, state_seq=state_seq))
