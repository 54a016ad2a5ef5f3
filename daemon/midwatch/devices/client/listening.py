"""Brings the messages of many devices to those who follow them, with one subscription."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from midwatch.bus import Bus, Message


class _Listener(Protocol):
    def patterns(self) -> tuple[str, ...]: ...

    def offer(self, message: Message) -> None: ...


async def listen_to(bus: Bus, clients: Sequence[_Listener]) -> None:
    """Hand the messages of some devices to their clients, until cancelled or the bus is left."""
    patterns = [pattern for client in clients for pattern in client.patterns()]
    owners = {_owner(pattern): client for client in clients for pattern in client.patterns()}
    async with bus.subscribe(*patterns, limit=10_000) as messages:
        async for message in messages:
            owners[_owner(message.topic)].offer(message)


def _owner(topic: str) -> str:
    """The part of a topic, or filter, up to and with the device's name."""
    return "/".join(topic.split("/", 4)[:4])
