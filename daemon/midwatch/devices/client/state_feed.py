"""The latest state of a device, read from the messages in which it comes."""

from __future__ import annotations

import asyncio
import math
import re
from datetime import datetime
from typing import Generic, TypeVar, cast

import structlog

from midwatch.bus import Message, StateEnvelope, decode
from midwatch.clock import Clock
from midwatch.devices.contract import STATES, DeviceState, Kind

S_co = TypeVar("S_co", bound=DeviceState, covariant=True)

# How a state's envelope usually begins. If it does, and the state has the bytes of the last one,
# nothing in it is new: most of a night's messages are such heartbeats.
_HEAD = re.compile(rb'\{"seq":(\d{1,18}),"at":"[^"]+",')
_STATE_KEY = b'"state":'

# An answer may overtake the state that belongs to it. Less takes an old state for the outcome on a
# slow network; more is lost whenever a state was.
_STATE_WITHIN_S = 10.0

_log = structlog.get_logger(__name__)


class StateFeed(Generic[S_co]):
    """What the states of one device have said last, and when they came.

    Attributes:
        seq: number of the latest state; a driver that has come up counts from the beginning.
    """

    def __init__(self, clock: Clock, name: str, kind: Kind) -> None:
        self.seq = 0
        self._clock = clock
        self._name = name
        self._model = cast("type[S_co]", STATES[kind])
        self._latest: S_co | None = None
        self._bytes = b""
        self._said_at: datetime | None = None
        self._heard_mono_s = -math.inf
        self._waiting: list[asyncio.Event] = []

    @property
    def latest(self) -> S_co | None:
        """The latest whole state; None before the first."""
        return self._latest

    @property
    def heard_mono_s(self) -> float:
        """When it came; one that the broker had kept counts as old as its stamp says."""
        return self._heard_mono_s

    def take(self, message: Message) -> bool | None:
        """Take in one state.

        Returns whether it differs from the last one; None if a later one was here before it.

        Raises:
            MalformedError: it is no state.
            ValidationError: it is none of this kind of device.
        """
        heard_mono_s = self._clock.mono()
        head, _, body = message.payload.partition(_STATE_KEY)
        known = _HEAD.fullmatch(head) if body == self._bytes and not message.retain else None
        changed = False
        if known is not None and int(known[1]) == self.seq + 1:
            self.seq += 1
        else:
            envelope = decode(StateEnvelope, message.payload)
            if self._overtaken(envelope):
                return None
            state = self._model.model_validate(envelope.state)
            changed = state != self._latest
            self._latest = state
            self._bytes = body
            self.seq, self._said_at = envelope.seq, envelope.at
            if message.retain:
                heard_mono_s -= max(0.0, (self._clock.now() - envelope.at).total_seconds())
        self._heard_mono_s = heard_mono_s
        for news in self._waiting:
            news.set()
        return changed

    async def reach(self, seq: int) -> None:
        """Wait for a state with this number, or a later one; not for long, it may be lost."""
        if self._latest is None or self.seq >= seq:
            return
        news = asyncio.Event()
        self._waiting.append(news)
        try:
            async with self._clock.timeout(_STATE_WITHIN_S):
                while self.seq < seq:
                    await news.wait()
                    news.clear()
        except TimeoutError:
            _log.warning("device_state_missing", device=self._name, seq=seq, latest=self.seq)
        finally:
            self._waiting.remove(news)

    def _overtaken(self, envelope: StateEnvelope) -> bool:
        """Return whether a later state came before; a new driver counts from the beginning."""
        if self._said_at is None or envelope.seq >= self.seq:
            return False
        return envelope.at <= self._said_at
