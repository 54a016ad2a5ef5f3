"""What a driver host says on the bus: that it is there, what it is, its state, its events."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime

import structlog
from pydantic_core import to_jsonable_python

from midwatch.bus import About, Bus, BusUnavailableError, EventEnvelope, Online, Topics, encode
from midwatch.clock import Clock
from midwatch.devices.contract import STATES, DeviceState, Driver, Facts, HostReport, commands_of

# Events that wait for the bus to come back. More would only make old news travel later.
MAX_EVENTS_WAITING = 1000

# Pause before news of the host's account are published: a flood of messages makes no flood of news.
ACCOUNT_S = 10.0

# Units by the ending of a field's name.
UNITS = {
    "_deg": "deg",
    "_arcsec": "arcsec",
    "_c": "degC",
    "_percent": "%",
    "_ms": "m/s",
    "_s": "s",
    "_snr": "1",
    "position": "step",
}

_log = structlog.get_logger(__name__)


class Publisher:
    """Publishes for one driver: retained topics at each connection, then what changes.

    The state is written as JSON again only when it differs from the last one; a heartbeat of an
    unchanged state renews number and stamp. While the bus is away events wait, and of states
    only the newest matters.

    Args:
        noticed: called after each look at the driver's state that found it changed.
        account: gives what the host reports of its traffic.

    Attributes:
        unsent: retained messages that found no connection.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        clock: Clock,
        name: str,
        driver_name: str,
        noticed: Callable[[], None],
        account: Callable[[], HostReport] | None = None,
    ) -> None:
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._name = name
        self._driver_name = driver_name
        self._driver: Driver | None = None
        self._noticed = noticed
        self._account = account
        self._since = clock.now()
        self._state_topic = topics.state(name)
        self._state: DeviceState | None = None
        self._body = b""
        self._state_seq = 0
        self._event_seq = 0
        self._events: deque[tuple[str, bytes]] = deque(maxlen=MAX_EVENTS_WAITING)
        self._changed = False
        self._woken = asyncio.Event()
        self._sending = asyncio.Lock()

    @property
    def state_seq(self) -> int:
        """Number of the latest state that was published; 0 before the first."""
        return self._state_seq

    def attach(self, driver: Driver) -> None:
        """Set the driver to publish for; it may have sent events already while it was made."""
        self._driver = driver

    def will(self) -> bytes:
        """What is published when the host is lost."""
        return self._online(online=False)

    def emit(self, event: str, facts: Facts) -> None:
        """Publish an event as soon as the bus takes it, before any later state.

        Tuples and times become what JSON has for them.

        Raises:
            ValueError: the name has no slug, or the facts cannot be written as JSON.
        """
        self._event_seq += 1
        plain = to_jsonable_python(facts)
        envelope = EventEnvelope(seq=self._event_seq, at=self._clock.now(), facts=plain)
        self._events.append((self._topics.event(self._name, event), encode(envelope)))
        self._woken.set()

    def changed(self) -> None:
        """The driver's state may have changed; publish it if so."""
        self._changed = True
        self._woken.set()

    async def announce(self) -> None:
        """Publish everything that is retained; called at each connection."""
        await self.publish_about()
        await self._publish(self._topics.online(self._name), self._online(online=True))
        await self._publish_state(always=True)
        self._woken.set()

    async def publish_about(self) -> None:
        """Publish what the device is, and the host's account, as they are now."""
        await self._publish(self._topics.about(self._name), encode(self._about()))

    async def publish_news(self, changed: asyncio.Event) -> None:
        """Publish the host's account when there is news, until cancelled."""
        while True:
            await changed.wait()
            await self._clock.sleep(ACCOUNT_S)
            changed.clear()
            await self.publish_about()

    async def leave(self, news: asyncio.Event) -> None:
        """Say that the device no longer takes part, and first what of its account is still news."""
        if news.is_set():
            await self.publish_about()
        await self._publish(self._topics.online(self._name), self._online(online=False))

    async def flush(self, *, changed: bool = False) -> None:
        """Publish now what waits: first the events, then the state if it has changed.

        Args:
            changed: look for a change of the state though the driver reported none.
        """
        self._changed = self._changed or changed
        async with self._sending:
            while self._events and self._bus.connected:
                topic, payload = self._events[0]
                try:
                    await self._bus.publish(topic, payload)
                except BusUnavailableError:
                    return
                self._events.popleft()
            if self._changed and self._bus.connected:
                self._changed = False
                await self._publish_state(always=False)

    async def run(self) -> None:
        """Publish what waits, whenever something does, until cancelled."""
        while True:
            await self._woken.wait()
            self._woken.clear()
            await self.flush()

    async def beat(self, heartbeat_s: float) -> None:
        """Publish the state at each heartbeat until cancelled."""
        while True:
            await self._clock.sleep(heartbeat_s)
            if self._bus.connected:
                await self._publish_state(always=True)

    async def _publish_state(self, *, always: bool) -> None:
        assert self._driver is not None
        try:
            state = self._driver.state()
            # Most drivers return the same frozen model until something changes.
            body = self._body if state is self._state else state.model_dump_json().encode()
            self._state = state
            if body != self._body:
                self._body = body
                self._noticed()
            elif not always:
                return
        except Exception:  # a driver without a state falls silent, and that is a fault
            _log.exception("driver_state_failed", device=self._name)
            return
        self._state_seq += 1
        head = b'{"seq":%d,"at":"%s","state":' % (self._state_seq, _stamp(self._clock.now()))
        await self._publish(self._state_topic, head + self._body + b"}")

    async def _publish(self, topic: str, payload: bytes) -> None:
        with suppress(BusUnavailableError):  # announced again at the next connection
            await self._bus.publish(topic, payload, retain=True)

    def _online(self, *, online: bool) -> bytes:
        return encode(Online(online=online, since=self._since, driver=self._driver_name))

    def _about(self) -> About:
        assert self._driver is not None
        about = self._driver.about()
        return About(
            kind=about.kind.value,
            driver=about.driver,
            commands=tuple(commands_of(about.kind)),
            capabilities=dict.fromkeys(about.capabilities, True),
            limits=about.limits,
            units=_units(STATES[about.kind]),
            account={} if self._account is None else self._account().model_dump(mode="json"),
        )


def _units(model: type[DeviceState]) -> dict[str, str]:
    return {
        field: unit
        for field in model.model_fields
        for ending, unit in UNITS.items()
        if field.endswith(ending)
    }


def _stamp(when: datetime) -> bytes:
    return when.isoformat().replace("+00:00", "Z").encode()
