"""The bus: how the daemon, its device drivers and its observers talk.

The MQTT implementation (`midwatch.bus.mqtt`) and the embedded broker (`midwatch.bus.embedded`)
are imported from their modules, so that a rehearsal does not load a network stack.
"""

from __future__ import annotations

from midwatch.bus.interface import (
    Bus,
    BusUnavailableError,
    Message,
    Subscription,
    SubscriptionClosedError,
)
from midwatch.bus.memory import MemoryBroker, MemoryBus

__all__ = [
    "Bus",
    "BusUnavailableError",
    "MemoryBroker",
    "MemoryBus",
    "Message",
    "Subscription",
    "SubscriptionClosedError",
]
