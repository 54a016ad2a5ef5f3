"""The bus as its participants see it, with the semantics of MQTT 3.1.1."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from midwatch.errors import MidwatchError, UnreachableError

# Messages that wait for one reader, bytes. Too small: a burst of honest states loses the first;
# too large: a flood of the longest messages that a broker lets pass fills the memory.
QUEUE_BYTES = 32 * 1024 * 1024


class BusUnavailableError(UnreachableError):
    """The broker cannot be reached now; the bus goes on trying."""


class SubscriptionClosedError(MidwatchError):
    """A message was asked of a subscription that is closed and empty."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message. `retain` is set only if it was stored before the subscription was made."""

    topic: str
    payload: bytes
    retain: bool = False


class Subscription(AsyncIterator[Message]):
    """Messages on the topics of some filters, in order of arrival, each once.

    Messages of one topic from one participant arrive in the order in which they were published;
    between topics of different filters a broker promises no order.

    At most `limit` messages wait, and `QUEUE_BYTES` of them; the oldest gives way to the newest,
    and `dropped` counts it.
    Cancelling a waiting `get` loses nothing. After `close` what waits can still be read, then
    iteration ends. Leaving an `async with` closes too.
    """

    def __init__(
        self,
        patterns: tuple[str, ...],
        limit: int,
        on_close: Callable[[Subscription], None],
    ) -> None:
        if not patterns:
            raise ValueError("a subscription needs at least one filter")
        if limit < 1:
            raise ValueError(f"limit must be at least 1, not {limit}")
        self.patterns = patterns
        self.limit = limit
        self.dropped = 0
        self.closed = False
        self._on_close = on_close
        self._queue: deque[Message] = deque()
        self._bytes = 0
        self._waiters: deque[asyncio.Future[None]] = deque()

    def offer(self, message: Message) -> None:
        """Take a message in (for implementations of the bus)."""
        if self.closed:
            return
        self._bytes += len(message.payload)
        while self._queue and (len(self._queue) >= self.limit or self._bytes > QUEUE_BYTES):
            self._pop()
            self.dropped += 1
        self._queue.append(message)
        if self._waiters:
            self._wake_one()

    async def get(self) -> Message:
        """Next message; waits for it.

        Raises:
            SubscriptionClosedError: closed, and nothing waits.
        """
        while not self._queue:
            if self.closed:
                raise SubscriptionClosedError(f"subscription to {self.patterns} is closed")
            await self._wait()
        return self._pop()

    def close(self) -> None:
        """Take no more messages; closing twice is harmless."""
        if self.closed:
            return
        self.closed = True
        self._on_close(self)
        while self._waiters:
            self._wake_one()

    def _pop(self) -> Message:
        message = self._queue.popleft()
        self._bytes -= len(message.payload)
        return message

    async def __anext__(self) -> Message:
        while not self._queue:
            if self.closed:
                raise StopAsyncIteration
            await self._wait()
        return self._pop()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    async def _wait(self) -> None:
        waiter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiters.append(waiter)
        try:
            await waiter
        except BaseException:
            if waiter in self._waiters:
                self._waiters.remove(waiter)
            elif self._queue:
                self._wake_one()  # it was woken for a message: another reader may have it
            raise

    def _wake_one(self) -> None:
        while self._waiters:
            waiter = self._waiters.popleft()
            if not waiter.done():
                waiter.set_result(None)
                return


class Bus(Protocol):
    """One participant's connection to the bus; used as an async context manager."""

    client_id: str

    @property
    def connected(self) -> bool:
        """Whether messages can be published now."""

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message; with `retain` the broker keeps it for later subscribers.

        An empty retained payload makes the broker forget.

        Raises:
            BusUnavailableError: not connected.
            ValueError: `topic` is not a topic name.
        """

    def subscribe(self, *patterns: str, limit: int = 1000) -> Subscription:
        """Receive messages of the filters: retained ones first, then live ones.

        It is registered at once and for good: after each reconnection it is made again, and
        retained messages come again. A live message never carries the retain flag.

        Raises:
            ValueError: a filter is malformed, there is none, or `limit` is below 1.
        """

    def set_will(self, topic: str, payload: bytes) -> None:
        """Set what the broker publishes, retained, if this participant is lost.

        Raises:
            RuntimeError: the bus was entered already.
        """

    def on_connect(self, callback: Callable[[], Awaitable[None]]) -> None:
        """Have `callback` called at each connection, to publish retained topics again.

        Registered while connected, it is called from the next connection on. An error in a
        callback is logged, nothing more.
        """

    async def wait_connected(self, timeout_s: float) -> None:
        """Wait until connected.

        Raises:
            BusUnavailableError: not within `timeout_s`.
        """
