"""The bus over MQTT 3.1.1.

Everything travels with QoS 0: commands are repeated until answered, retained topics are
published again at each connection, and states at each heartbeat, so the broker's own
acknowledgements would add delay and no safety.
"""

from __future__ import annotations

import asyncio
import hashlib
import ssl
from collections.abc import Awaitable, Callable
from types import TracebackType
from typing import Self

import aiomqtt
import numpy as np
import structlog

from midwatch.bus.broker_settings import BrokerSettings
from midwatch.bus.interface import BusUnavailableError, Subscription
from midwatch.bus.mqtt.link import EXCHANGE_S, MAX_INCOMING, NODELAY, Link
from midwatch.bus.patterns import check_pattern, check_topic
from midwatch.clock import Clock, WallClock
from midwatch.tasks import Tasks, end

__all__ = ["BrokerSettings", "MqttBus"]

_log = structlog.get_logger(__name__)


class MqttBus:
    """One participant on a broker.

    Entering does not wait for the broker: `wait_connected` does, and the bus goes on trying for
    as long as it is entered. `seed` spreads the pauses between attempts, differently for each
    client. Filters that overlap make further connections, named `<client_id>.1` and so on.
    `tasks` keeps the tasks of the connections; one of its own by default.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        client_id: str,
        clock: Clock,
        *,
        seed: int = 0,
        tasks: Tasks | None = None,
    ) -> None:
        self.client_id = client_id
        self._settings = settings
        self._clock = clock
        self._password: str | None = None
        self._tls: ssl.SSLContext | None = None
        self._jitter = _jitter(seed, client_id)
        self._will: aiomqtt.Will | None = None
        self._callbacks: list[Callable[[], Awaitable[None]]] = []
        self._links: list[Link] = []
        self._tasks = tasks or Tasks(clock)
        self._running: list[asyncio.Task[None]] = []
        self._subscriptions: list[Subscription] = []
        self._entered = False
        self._links.append(self._make_link())

    @property
    def connected(self) -> bool:
        """Whether messages can be published now."""
        return self._links[0].up.is_set()

    async def __aenter__(self) -> Self:
        """Begin to connect.

        Raises:
            InputError: the password or certificate files cannot be used.
        """
        self._password = self._settings.password()
        self._tls = None if self._settings.tls is None else self._settings.tls.context()
        self._entered = True
        for link in self._links:
            self._start(link)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._entered = False
        await end(*self._running, reason="the bus is left")
        self._running.clear()
        for subscription in list(self._subscriptions):
            subscription.close()

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message; see `Bus.publish`. What was subscribed before is in force by then."""
        check_topic(topic)
        waiting = [link.settled for link in self._links if not link.settled.is_set()]
        if waiting and self.connected:
            await self._settle(waiting)
        await self._links[0].publish(topic, payload, retain)

    def subscribe(self, *patterns: str, limit: int = 1000) -> Subscription:
        """Receive messages of the filters; see `Bus.subscribe`."""
        for pattern in patterns:
            check_pattern(pattern)
        subscription = Subscription(tuple(dict.fromkeys(patterns)), limit, self._forget)
        self._subscriptions.append(subscription)
        for index, pattern in enumerate(subscription.patterns):
            link = next((link for link in self._links if link.takes(pattern)), None)
            if link is None:
                link = self._make_link()
                self._links.append(link)
                if self._entered:
                    self._start(link)
            link.add(pattern, subscription, subscription.patterns[:index])
        return subscription

    def set_will(self, topic: str, payload: bytes) -> None:
        """Set the last will; see `Bus.set_will`."""
        check_topic(topic)
        if self._entered:
            raise RuntimeError("the will must be set before the bus is entered")
        self._will = aiomqtt.Will(topic, payload, qos=1, retain=True)

    def on_connect(self, callback: Callable[[], Awaitable[None]]) -> None:
        """Call `callback` at each connection; see `Bus.on_connect`."""
        self._callbacks.append(callback)

    async def wait_connected(self, timeout_s: float) -> None:
        """Wait until every connection is up; see `Bus.wait_connected`."""
        try:
            async with self._clock.timeout(timeout_s):
                for link in self._links:
                    await link.up.wait()
        except TimeoutError:
            reason = next(link.last_error for link in self._links if not link.up.is_set())
            raise BusUnavailableError(
                f"no broker at {self._settings.host}:{self._settings.port} "
                f"within {timeout_s:g} s: {reason}"
            ) from None

    def _make_link(self) -> Link:
        number = len(self._links)
        name = f"{self.client_id}.{number}" if number else self.client_id
        return Link(name, self._make_client, self._jitter, None if number else self._call_back)

    def _start(self, link: Link) -> None:
        self._running.append(self._tasks.keep(f"bus {link.name}", link.run, "leave"))

    def _make_client(self, name: str) -> aiomqtt.Client:
        settings = self._settings
        return aiomqtt.Client(
            settings.host,
            settings.port,
            username=settings.username,
            password=self._password,
            identifier=name,
            will=self._will if name == self.client_id else None,
            clean_session=True,
            timeout=EXCHANGE_S,
            keepalive=settings.keepalive_s,
            max_queued_incoming_messages=MAX_INCOMING,
            max_concurrent_outgoing_calls=10,
            tls_context=self._tls,
            socket_options=[NODELAY],
        )

    async def _settle(self, waiting: list[asyncio.Event]) -> None:
        try:
            async with WallClock().timeout(EXCHANGE_S):
                for event in waiting:
                    await event.wait()
        except TimeoutError:
            _log.warning("bus_subscription_late", client_id=self.client_id)

    async def _call_back(self) -> None:
        for callback in list(self._callbacks):
            try:
                await callback()
            except Exception:
                _log.exception("bus_connect_callback_failed", client_id=self.client_id)

    def _forget(self, subscription: Subscription) -> None:
        self._subscriptions.remove(subscription)
        for link in self._links:
            link.remove(subscription)


def _jitter(seed: int, client_id: str) -> Callable[[], float]:
    digest = hashlib.blake2b(f"{seed}/reconnect {client_id}".encode(), digest_size=16).digest()
    generator = np.random.default_rng(int.from_bytes(digest, "big"))
    return lambda: float(generator.random())
