"""The page's place on the bus: listens to the devices, and gives orders to the daemon."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import partial
from typing import Any

from pydantic import JsonValue

from midwatch.bus import Caller, JsonObject, Subscription, parse, slug
from midwatch.bus.mqtt import MqttBus
from midwatch.interface.console import DEVICE_TOPICS, parsed_devices
from midwatch.runtime.files import Running
from midwatch.runtime.visit import Visit, order, visitor
from midwatch.sequencer.night import DAEMON
from midwatch.tasks import Tasks, end


class BusSide:
    """What is retained of the devices, and the way to the daemon.

    Args:
        there: our connection.
        running: which rig.
    """

    def __init__(self, there: Visit, running: Running) -> None:
        self._there = there
        self._devices = frozenset(slug(device) for device in running.devices)
        self._found: dict[str, bytes] = {}

    @property
    def connected(self) -> bool:
        """Whether the broker can be reached."""
        return self._there.bus.connected

    def devices(self) -> dict[str, dict[str, Any]]:
        """Return what each device of the rig says of itself, by its name."""
        return parsed_devices(self._found)

    async def give(self, command: str, args: Mapping[str, JsonValue]) -> JsonObject:
        """Give the daemon an order; returns what it answers.

        Raises:
            UnreachableError: it does not answer.
            CommandError: it refuses.
            OversizedError: the order is too long to travel.
        """
        return await order(self._there, DAEMON, command, args)

    async def serve(self) -> None:
        """Wait until no answer can be received any more, for good.

        Raises:
            Exception: what the task that received them died of.
        """
        await self._there.caller.serve()

    async def listen(self, messages: Subscription) -> None:
        """Keep what devices retain, for good."""
        async for message in messages:
            parsed = parse(message.topic)
            # A client that makes up devices must not fill our memory.
            if parsed is not None and parsed.device in self._devices:
                self._found[message.topic] = message.payload


@asynccontextmanager
async def bus_side(running: Running, tasks: Tasks) -> AsyncIterator[BusSide]:
    """Take part in the bus of a night while the block runs; a broker that is away is waited for."""
    clock, topics = running.clock(), running.topics
    seed = int(clock.unix_s() * 1000.0)
    bus = MqttBus(running.broker, slug(f"page-{visitor()}-{os.getpid()}"), clock, seed=seed)
    async with bus, Caller(bus, topics, clock, seed) as caller:
        side = BusSide(Visit(bus, topics, caller, clock), running)
        messages = bus.subscribe(*(f"{topics.root}/+/{what}" for what in DEVICE_TOPICS))
        listen = partial(side.listen, messages)
        listening = tasks.keep("page hears devices", listen, "go_on")
        try:
            yield side
        finally:
            messages.close()
            await end(listening, reason="the page is served no more")
