"""The bus: how the daemon, its device drivers and its observers talk.

The MQTT implementation (`midwatch.bus.mqtt`) and the embedded broker (`midwatch.bus.embedded`)
are imported from their modules, so that a rehearsal does not load a network stack.
"""

from __future__ import annotations

from midwatch.bus.calls import Caller, CallTimeoutError, CommandError, DeviceLostError, seeded_ids
from midwatch.bus.envelopes import (
    MAX_JSON_BYTES,
    About,
    Answer,
    ErrorBody,
    ErrorKind,
    EventEnvelope,
    Lease,
    MalformedError,
    Online,
    OversizedError,
    Request,
    StateEnvelope,
    UtcDatetime,
    decode,
    encode,
)
from midwatch.bus.interface import (
    Bus,
    BusUnavailableError,
    Message,
    Subscription,
    SubscriptionClosedError,
)
from midwatch.bus.memory import MemoryBroker, MemoryBus
from midwatch.bus.responder import Counters, Responder
from midwatch.bus.settings import BrokerSettings, TlsSettings
from midwatch.bus.topics import ParsedTopic, TopicKind, Topics, parse, slug

__all__ = [
    "MAX_JSON_BYTES",
    "About",
    "Answer",
    "BrokerSettings",
    "Bus",
    "BusUnavailableError",
    "CallTimeoutError",
    "Caller",
    "CommandError",
    "Counters",
    "DeviceLostError",
    "ErrorBody",
    "ErrorKind",
    "EventEnvelope",
    "Lease",
    "MalformedError",
    "MemoryBroker",
    "MemoryBus",
    "Message",
    "Online",
    "OversizedError",
    "ParsedTopic",
    "Request",
    "Responder",
    "StateEnvelope",
    "Subscription",
    "SubscriptionClosedError",
    "TlsSettings",
    "TopicKind",
    "Topics",
    "UtcDatetime",
    "decode",
    "encode",
    "parse",
    "seeded_ids",
    "slug",
]
