"""The bus within one process: synchronous, in a fixed order, fast.

Rehearsals and tests carry all their messages over it. It can fail on purpose: a participant may
be dropped abruptly and restored, a broker stopped and started again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from types import TracebackType
from typing import Self

import structlog

from midwatch.bus.interface import BusUnavailableError, Message, Subscription
from midwatch.bus.patterns import check_pattern, check_topic, matches

_log = structlog.get_logger(__name__)


class MemoryBroker:
    """Hands messages from publishers to the queues of subscribers, in order of subscription."""

    def __init__(self) -> None:
        self.running = True
        self._retained: dict[str, Message] = {}
        self._subscriptions: dict[int, Subscription] = {}
        self._routes: dict[str, tuple[Subscription, ...]] = {}
        self._buses: dict[str, MemoryBus] = {}
        self._attached = 0

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Hand one message over to every matching queue, and keep it if `retain`."""
        route = self._routes.get(topic)
        if route is None:
            check_topic(topic)
            route = self._route(topic)
        if retain:
            if payload:
                self._retained[topic] = Message(topic, payload, True)
            else:
                self._retained.pop(topic, None)
        if route:
            self.hand_over(route, Message(topic, payload))

    def hand_over(self, route: tuple[Subscription, ...], message: Message) -> None:
        """Bring a message to its subscribers."""
        for subscription in route:
            subscription.offer(message)

    def retained(self, topic: str) -> bytes | None:
        """What is kept on `topic`, or None."""
        message = self._retained.get(topic)
        return None if message is None else message.payload

    def stop(self, *, keep_retained: bool = False) -> None:
        """Go down as a killed broker does: no will is published, every client is cut off."""
        self.running = False
        for bus in list(self._buses.values()):
            bus.cut()
        if not keep_retained:
            self._retained.clear()

    async def start(self) -> None:
        """Come up again; the participants that were cut off connect again, in their old order."""
        self.running = True
        for bus in list(self._buses.values()):
            await bus.restore()

    def enter(self, bus: MemoryBus) -> None:
        """Register a participant; an older one of the same name is dropped, as MQTT has it."""
        older = self._buses.pop(bus.client_id, None)
        if older is not None and older is not bus:
            older.drop()
        self._buses[bus.client_id] = bus

    def leave(self, bus: MemoryBus) -> None:
        """Forget a participant."""
        if self._buses.get(bus.client_id) is bus:
            del self._buses[bus.client_id]

    def attach(self, subscription: Subscription) -> None:
        """Begin to serve a subscription: retained messages first, by topic."""
        self._attached += 1
        self._subscriptions[self._attached] = subscription
        self._routes.clear()
        for topic in sorted(self._retained):
            if any(matches(pattern, topic) for pattern in subscription.patterns):
                subscription.offer(self._retained[topic])

    def detach(self, subscription: Subscription) -> None:
        """Serve a subscription no more."""
        for key, known in self._subscriptions.items():
            if known is subscription:
                del self._subscriptions[key]
                self._routes.clear()
                return

    def _route(self, topic: str) -> tuple[Subscription, ...]:
        route = tuple(
            subscription
            for subscription in self._subscriptions.values()
            if any(matches(pattern, topic) for pattern in subscription.patterns)
        )
        self._routes[topic] = route
        return route


class MemoryBus:
    """One participant of a `MemoryBroker`."""

    def __init__(self, broker: MemoryBroker, client_id: str) -> None:
        self.client_id = client_id
        self.connected = False
        self._broker = broker
        self._entered = False
        self._will: tuple[str, bytes] | None = None
        self._callbacks: list[Callable[[], Awaitable[None]]] = []
        # Insertion order is the order in which subscriptions are made again.
        self._subscriptions: list[Subscription] = []
        self._waiters: list[asyncio.Future[bool]] = []

    async def __aenter__(self) -> Self:
        self._entered = True
        self._broker.enter(self)
        if self._broker.running:
            await self._connect()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.connected = False
        self._broker.leave(self)
        for subscription in list(self._subscriptions):
            subscription.close()

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Send one message; see `Bus.publish`."""
        if not self.connected:
            raise BusUnavailableError(f"{self.client_id} is not connected to the bus")
        self._broker.publish(topic, payload, retain=retain)

    def subscribe(self, *patterns: str, limit: int = 1000) -> Subscription:
        """Receive messages of the filters; see `Bus.subscribe`."""
        for pattern in patterns:
            check_pattern(pattern)
        subscription = Subscription(patterns, limit, self._forget)
        self._subscriptions.append(subscription)
        if self.connected:
            self._broker.attach(subscription)
        return subscription

    def set_will(self, topic: str, payload: bytes) -> None:
        """Set the last will; see `Bus.set_will`."""
        check_topic(topic)
        if self._entered:
            raise RuntimeError("the will must be set before the bus is entered")
        self._will = (topic, payload)

    def on_connect(self, callback: Callable[[], Awaitable[None]]) -> None:
        """Call `callback` at each connection; see `Bus.on_connect`."""
        self._callbacks.append(callback)

    async def wait_connected(self, timeout_s: float) -> None:
        """Wait until connected, at most `timeout_s` of the event loop's time."""
        if self.connected:
            return
        loop = asyncio.get_running_loop()
        waiter: asyncio.Future[bool] = loop.create_future()
        self._waiters.append(waiter)
        timer = loop.call_later(timeout_s, _settle, waiter, False)
        try:
            if not await waiter:
                raise BusUnavailableError(f"{self.client_id} is not connected to the bus")
        finally:
            timer.cancel()
            self._waiters.remove(waiter)

    def drop(self) -> None:
        """Lose the connection as a killed participant does: the will is published."""
        if not self.connected:
            return
        self.cut()
        if self._will is not None:
            topic, payload = self._will
            self._broker.publish(topic, payload, retain=True)

    def cut(self) -> None:
        """Lose the connection without a will being published: the broker itself is gone."""
        self.connected = False
        for subscription in self._subscriptions:
            self._broker.detach(subscription)

    async def restore(self) -> None:
        """Connect again after `drop`; subscriptions are made again, callbacks called."""
        if self._entered and not self.connected and self._broker.running:
            self._broker.enter(self)
            await self._connect()

    async def _connect(self) -> None:
        self.connected = True
        for waiter in self._waiters:
            _settle(waiter, True)
        for subscription in self._subscriptions:
            self._broker.attach(subscription)
        for callback in list(self._callbacks):
            try:
                await callback()
            except Exception:
                _log.exception("bus_connect_callback_failed", client_id=self.client_id)

    def _forget(self, subscription: Subscription) -> None:
        self._subscriptions.remove(subscription)
        if self.connected:
            self._broker.detach(subscription)


def _settle(waiter: asyncio.Future[bool], connected: bool) -> None:
    if not waiter.done():
        waiter.set_result(connected)
