"""One connection to an MQTT broker that comes back by itself."""

from __future__ import annotations

import asyncio
import contextlib
import math
import socket
from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import aiomqtt
import structlog
from paho.mqtt.reasoncodes import ReasonCode

from midwatch.bus.interface import BusUnavailableError, Message, Subscription
from midwatch.bus.patterns import matches, overlap
from midwatch.clock import WallClock
from midwatch.tasks import end, for_ever, start

_log = structlog.get_logger(__name__)

# Pauses between attempts to connect, doubled from the first to the longest. A shorter maximum
# would hammer a broker that is down for the night, a longer one wastes clear sky once it is back.
BACKOFF_FIRST_S = 0.25
BACKOFF_MAX_S = 20.0
# A connection that lasted this long was good: the next loss starts again with the first pause.
# Without it two clients of the same name would throw each other out several times a second.
STABLE_S = 5.0
# How long one exchange with the broker may take before the connection counts as dead.
EXCHANGE_S = 5.0
# How long leaving waits for an attempt to connect that is under way.
GRACE_S = 0.5
# What may wait between the socket and the bounded queues; emptied at each turn of the loop.
MAX_INCOMING = 10_000
# Without it the system holds small packets back until earlier ones are acknowledged (40 ms).
NODELAY = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@dataclass(frozen=True, slots=True)
class _Route:
    """Where the messages of one filter go; topics of `earlier` filters come another way."""

    subscription: Subscription
    earlier: tuple[str, ...]


class Link:
    """A connection with its own filters, no two of which overlap.

    A broker may send a message once for every filter that takes it in, and without MQTT 5 it
    does not say which one that was. Since filters that overlap are on different links, each
    message that comes in belongs to one filter, and so to one subscription.

    Network time is real time whatever the clock of the night is: pauses and limits are counted
    on the wall clock.
    """

    def __init__(
        self,
        name: str,
        make_client: Callable[[str], aiomqtt.Client],
        jitter: Callable[[], float],
        on_connect: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        self.name = name
        self.up = asyncio.Event()
        self.settled = asyncio.Event()
        self.last_error = "not tried yet"
        self._make_client = make_client
        self._jitter = jitter
        self._on_connect = on_connect
        self._wall = WallClock()
        self._client: aiomqtt.Client | None = None
        self._filters: dict[str, _Route] = {}
        self._routes: dict[str, _Route | None] = {}
        self._changes: list[tuple[bool, str]] = []
        self._changed = asyncio.Event()

    def takes(self, pattern: str) -> bool:
        """Whether `pattern` overlaps no filter of this link."""
        return not any(overlap(pattern, known) for known in self._filters)

    def add(self, pattern: str, subscription: Subscription, earlier: tuple[str, ...]) -> None:
        """Serve one filter of a subscription from now on."""
        self._filters[pattern] = _Route(subscription, earlier)
        self._change(True, pattern)

    def remove(self, subscription: Subscription) -> None:
        """Serve a subscription no more."""
        gone = [key for key, route in self._filters.items() if route.subscription is subscription]
        for pattern in gone:
            del self._filters[pattern]
            self._change(False, pattern)

    async def publish(self, topic: str, payload: bytes, retain: bool) -> None:
        """Send one message, at most once.

        Raises:
            BusUnavailableError: not connected, or the connection broke.
        """
        client = self._client
        if client is None or not self.up.is_set():
            raise BusUnavailableError(f"{self.name} is not connected: {self.last_error}")
        try:
            # The library's own limit loses cancellations on Python 3.11; ours does not.
            async with self._wall.timeout(EXCHANGE_S):
                await client.publish(topic, payload, retain=retain, timeout=math.inf)
        except (aiomqtt.MqttError, TimeoutError) as error:
            raise BusUnavailableError(f"{self.name} lost the broker: {error}") from error

    async def run(self) -> None:
        """Connect, serve, and connect again, until cancelled."""
        failures = 0
        while True:
            began_s = self._wall.mono()
            try:
                await self._connect_and_serve()
            except* (aiomqtt.MqttError, TimeoutError, OSError) as group:
                self.last_error = _first_line(group)
            except* Exception as group:
                self.last_error = _first_line(group)
                _log.exception("bus_link_failed", link=self.name)
            finally:
                was_up = self.up.is_set()
                self._down()
            if was_up and self._wall.mono() - began_s >= STABLE_S:
                failures = 0
            pause_s = min(BACKOFF_FIRST_S * 2.0 ** min(failures, 16), BACKOFF_MAX_S)
            pause_s *= 0.5 + 0.5 * self._jitter()
            failures += 1
            _log.warning(
                "bus_disconnected",
                link=self.name,
                reason=self.last_error,
                retry_s=round(pause_s, 2),
            )
            await self._wall.sleep(pause_s)

    async def _connect_and_serve(self) -> None:
        client = self._make_client(self.name)
        try:
            await _connect(client)
            try:
                async with asyncio.TaskGroup() as tasks:
                    self._client = client
                    self._changes = [(True, pattern) for pattern in self._filters]
                    await self._send_changes(client)
                    self.up.set()
                    _log.info("bus_connected", link=self.name)
                    changing = for_ever("filters", partial(self._keep_changing, client))
                    start(f"{self.name} filters", changing, tasks)
                    if self._on_connect is not None:
                        start(f"{self.name} on connect", _call(self._on_connect), tasks)
                    await for_ever("reading", partial(self._read, client))
            finally:
                self._client = None
                with contextlib.suppress(aiomqtt.MqttError):
                    await client.__aexit__(None, None, None)
        finally:
            _abandon(client)

    async def _read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = str(message.topic)
            route = self._route(topic)
            if route is None or any(matches(pattern, topic) for pattern in route.earlier):
                continue
            payload = message.payload
            if isinstance(payload, bytes | bytearray):
                route.subscription.offer(Message(topic, bytes(payload), bool(message.retain)))

    def _route(self, topic: str) -> _Route | None:
        if topic not in self._routes:
            if len(self._routes) > 10_000:
                self._routes.clear()
            found = (route for key, route in self._filters.items() if matches(key, topic))
            self._routes[topic] = next(found, None)
        return self._routes[topic]

    def _change(self, wanted: bool, pattern: str) -> None:
        self._routes.clear()
        if self._client is not None:
            self._changes.append((wanted, pattern))
            self.settled.clear()
            self._changed.set()

    async def _keep_changing(self, client: aiomqtt.Client) -> None:
        while True:
            await self._changed.wait()
            await self._send_changes(client)

    async def _send_changes(self, client: aiomqtt.Client) -> None:
        self._changed.clear()
        while self._changes:
            changes, self._changes = self._changes, []
            for wanted, patterns in _runs(changes):
                async with self._wall.timeout(EXCHANGE_S):
                    if wanted:
                        await self._subscribe(client, patterns)
                    else:
                        await client.unsubscribe(patterns, timeout=math.inf)
        self.settled.set()

    async def _subscribe(self, client: aiomqtt.Client, patterns: list[str]) -> None:
        granted: Sequence[int | ReasonCode] = await client.subscribe(
            [(pattern, 0) for pattern in patterns], timeout=math.inf
        )
        for pattern, code in zip(patterns, granted, strict=False):
            if (code if isinstance(code, int) else code.value) >= 0x80:
                _log.error("bus_subscription_refused", link=self.name, pattern=pattern)

    def _down(self) -> None:
        self.up.clear()
        self._changes = []
        self._changed.clear()
        self.settled.set()  # what happens at the next connection is not worth waiting for


async def _connect(client: aiomqtt.Client) -> None:
    """Connect; when cancelled give the attempt a moment to open its socket, or it would leak."""
    attempt = start("connecting", client.__aenter__())
    try:
        await asyncio.shield(attempt)
    except asyncio.CancelledError:
        await asyncio.wait([attempt], timeout=GRACE_S)
        await end(attempt, reason="connecting is given up")
        raise


def _abandon(client: aiomqtt.Client) -> None:
    """Close what an unfinished attempt leaves open: the library closes only what it finished."""
    paho = client._client
    if paho.socket() is not None:
        paho.on_disconnect = None  # the library's own stumbles over a cancelled attempt
        paho.on_socket_register_write = None  # it would be watched after it is closed
        paho.disconnect()
        paho.loop_write()  # which sends the farewell and closes


async def _call(callback: Callable[[], Awaitable[None]]) -> None:
    await callback()


def _runs(changes: Iterable[tuple[bool, str]]) -> list[tuple[bool, list[str]]]:
    """Neighbours of the same kind together: one packet each."""
    runs: list[tuple[bool, list[str]]] = []
    for wanted, pattern in changes:
        if runs and runs[-1][0] is wanted:
            runs[-1][1].append(pattern)
        else:
            runs.append((wanted, [pattern]))
    return runs


def _first_line(group: BaseExceptionGroup[BaseException]) -> str:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error) or type(error).__name__
