"""The bus: how the daemon, its device drivers and its observers talk."""

from midwatch.bus.broker_settings import BrokerSettings, TlsSettings
from midwatch.bus.calls import Caller, CallTimeoutError, CommandError, is_notable, result_of
from midwatch.bus.disturbed_broker import Disturbance, DisturbedBroker
from midwatch.bus.envelopes import (
    CONTRACT_VERSION,
    About,
    Answer,
    ErrorKind,
    EventEnvelope,
    JsonObject,
    Lease,
    MalformedError,
    Online,
    OversizedError,
    Request,
    StateEnvelope,
    decode,
    encode,
)
from midwatch.bus.interface import Bus, BusUnavailableError, Message, Subscription
from midwatch.bus.memory import MemoryBroker, MemoryBus
from midwatch.bus.responder import Counters, Responder
from midwatch.bus.topics import TopicKind, Topics, parse, slug

__all__ = [
    "CONTRACT_VERSION", "About", "Answer", "BrokerSettings", "Bus", "BusUnavailableError",
    "CallTimeoutError", "Caller", "CommandError", "Counters", "Disturbance", "DisturbedBroker",
    "ErrorKind", "EventEnvelope", "JsonObject", "Lease", "MalformedError", "MemoryBroker",
    "MemoryBus", "Message", "Online", "OversizedError", "Request", "Responder", "StateEnvelope",
    "Subscription", "TlsSettings", "TopicKind", "Topics", "decode", "encode", "is_notable",
    "parse", "result_of", "slug",
]  # fmt: skip
