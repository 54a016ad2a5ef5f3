"""A broker in one process that disturbs what passes through it: for rehearsals with faults."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from midwatch.bus.interface import Message, Subscription
from midwatch.bus.memory import MemoryBroker

if TYPE_CHECKING:
    import numpy as np

__all__ = ["Disturbance", "DisturbedBroker"]


@dataclass(frozen=True)
class Disturbance:
    """What happens to messages.

    Attributes:
        loss: share of the messages that never arrive.
        duplicates: share of the messages that arrive twice.
        latency_s: mean of the delay, drawn evenly up to twice that; order is kept.
        reordering: delayed messages may overtake each other.
    """

    loss: float = 0.0
    duplicates: float = 0.0
    latency_s: float = 0.0
    reordering: bool = False


class DisturbedBroker(MemoryBroker):
    """Loses, doubles, delays and swaps messages while it is set to.

    What is retained is kept at once, as a broker does; only its way to the subscribers suffers.

    Args:
        rng: source of chance, seeded.
        spared: says which topics must not be disturbed (what is no message of the bus but
            the physics between simulated devices).
    """

    def __init__(self, rng: np.random.Generator, spared: Callable[[str], bool]) -> None:
        super().__init__()
        self._rng = rng
        self._spared = spared
        self._disturbances: dict[str, Disturbance] = {}
        # No message of a topic may overtake an earlier one, unless reordering is on.
        self._latest_s: dict[str, float] = {}

    def disturb(self, name: str, disturbance: Disturbance | None) -> None:
        """Begin a disturbance of some name, or end it with None."""
        if disturbance is None:
            self._disturbances.pop(name, None)
        else:
            self._disturbances[name] = disturbance

    def forget_retained(self) -> None:
        """Lose everything that was kept, without a notice."""
        self._retained.clear()

    def hand_over(self, route: tuple[Subscription, ...], message: Message) -> None:
        """Bring a message to its subscribers, or what is left of it."""
        if (not self._disturbances and not self._latest_s) or self._spared(message.topic):
            super().hand_over(route, message)
            return
        copies, delay_s, swap = 1, 0.0, False
        for disturbance in self._disturbances.values():
            chance, twice, late = (float(value) for value in self._rng.random(3))
            if chance < disturbance.loss:
                copies = 0
            elif copies and twice < disturbance.duplicates:
                copies += 1
            delay_s += 2.0 * disturbance.latency_s * late
            swap |= disturbance.reordering
        for _ in range(copies):
            self._later(route, message, delay_s, swap)

    def _later(
        self, route: tuple[Subscription, ...], message: Message, delay_s: float, swap: bool
    ) -> None:
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        at_s = now_s + delay_s
        if not swap:
            at_s = max(at_s, self._latest_s.get(message.topic, 0.0))
        if at_s <= now_s:
            self._latest_s.pop(message.topic, None)
            super().hand_over(route, message)
            return
        self._latest_s[message.topic] = max(at_s, self._latest_s.get(message.topic, 0.0))
        loop.call_at(at_s, self._arrive, route, message)

    def _arrive(self, route: tuple[Subscription, ...], message: Message) -> None:
        if asyncio.get_running_loop().time() >= self._latest_s.get(message.topic, 0.0):
            self._latest_s.pop(message.topic, None)
        # A client that has left, or a broker that has died meanwhile, gets nothing more.
        if self.running:
            current = self._route(message.topic)
            MemoryBroker.hand_over(self, tuple(s for s in route if s in current), message)
