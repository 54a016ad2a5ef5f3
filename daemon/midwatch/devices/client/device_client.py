"""The daemon's view of one device: its latest state, its events, and commands to it."""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Callable
from datetime import datetime
from typing import Generic, Protocol, TypeVar, cast

import structlog
from pydantic import ValidationError

from midwatch.bus import (
    About,
    Answer,
    Bus,
    Caller,
    CommandError,
    ErrorKind,
    EventEnvelope,
    JsonObject,
    MalformedError,
    Message,
    Online,
    Topics,
    decode,
    is_notable,
    result_of,
)
from midwatch.clock import Clock, lateness_s
from midwatch.devices.client.listening import listen_to
from midwatch.devices.client.state_feed import StateFeed
from midwatch.devices.contract import (
    Command,
    DeviceAbout,
    DeviceState,
    Facts,
    HostReport,
    Kind,
)
from midwatch.tasks import Tasks, end

S_co = TypeVar("S_co", bound=DeviceState, covariant=True)
R = TypeVar("R")
HearEvent = Callable[[str, Facts], None]

# Heartbeats that may stay away before a device counts as down. Fewer calls a busy network a
# fault; more leaves the rig longer in the hands of a device that is gone.
SILENT_HEARTBEATS = 3

# A driver that drops off the bus may be back with its command still under way: a broken connection
# is made again within seconds. Less gives up exposures that go on; more is lost for nothing.
_BACK_WITHIN_S = 3.0
# So many lives of a driver are remembered until somebody asks for their accounts.
_MOST_LIVES = 50
_log = structlog.get_logger(__name__)


class Token(Protocol):
    """What knows the lease under which commands are given."""

    @property
    def token(self) -> str | None:
        """The holder's name while the lease is held, else None."""

    async def renew(self) -> None:
        """Announce the lease now, if it is held."""


class DeviceClient(Generic[S_co]):
    """One device as seen over the bus.

    `DeviceClient[MountState](...)` is typed end to end. It receives nothing until started,
    either by `start` or as one of the devices of a `RigClient`. What a device says that does not
    fit its models is counted in `malformed`, logged and otherwise ignored, so that a device that
    only talks nonsense falls silent and is `down`.

    Attributes:
        name: of the device on the bus.
        about: what the device said of itself; None before.
        account: what its host last reported of its traffic; None where it reported nothing.
        malformed: messages that were not understood.
        since: when the device's driver came up, as it says.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        caller: Caller,
        clock: Clock,
        name: str,
        kind: Kind,
        heartbeat_s: float,
        lease: Token | None = None,
    ) -> None:
        self.name = name
        self.kind = kind
        self.heartbeat_s = heartbeat_s
        self.about: DeviceAbout | None = None
        self.since: datetime | None = None
        self.account: HostReport | None = None
        self._earlier_accounts: deque[HostReport] = deque(maxlen=_MOST_LIVES)
        self.malformed = 0
        self._patience_s = SILENT_HEARTBEATS * heartbeat_s + lateness_s(clock)
        self._bus = bus
        self._topics = topics
        self._caller = caller
        self._clock = clock
        self._lease = lease
        # The driver to which the lease was sent, by when it came up.
        self._leased: datetime | None = None
        self._task: asyncio.Task[None] | None = None
        self._states: StateFeed[S_co] = StateFeed(clock, name, kind)
        self._connected_mono_s = -math.inf
        self._said_online = False
        self._offline_mono_s = -math.inf
        self._was_down = True
        self._back_mono_s = -math.inf
        self._listeners: list[Callable[[], None]] = []
        self._event_listeners: list[tuple[str, HearEvent]] = []
        self._event_prefix = topics.events(name).removesuffix("+")
        self._routes: dict[str, Callable[[Message], None]] = {
            topics.state(name): self._take_state,
            topics.online(name): self._take_online,
            topics.about(name): self._take_about,
        }
        bus.on_connect(self._connected)

    @property
    def state(self) -> S_co | None:
        """The latest whole state; None before the first."""
        return self._states.latest

    @property
    def online(self) -> bool:
        """Whether the device's driver says, or its last will has not denied, that it is up."""
        return self._said_online

    @property
    def down(self) -> bool:
        """Whether the device must not be relied on: offline, or silent for three heartbeats."""
        return not self._said_online or self.age_s() > self._patience_s

    def take_earlier_accounts(self) -> tuple[HostReport, ...]:
        """Return the last account of each life of the driver that ended since the last call."""
        accounts = tuple(self._earlier_accounts)
        self._earlier_accounts.clear()
        return accounts

    def back_s(self) -> float:
        """Seconds since the device was last found up after it was down; infinite before that."""
        return self._clock.mono() - self._back_mono_s

    def age_s(self) -> float:
        """Seconds since the state was last received; infinite before the first time.

        A state that the broker had kept counts as old as its stamp says, others from arrival.
        """
        return self._clock.mono() - self._states.heard_mono_s

    def listen(self, callback: Callable[[], None]) -> Callable[[], None]:
        """Have `callback` called when state, about, online or down change.

        Returns a function that ends it. The callback must be quick; an exception is logged.
        """
        return _register(self._listeners, callback)

    def on_event(self, callback: HearEvent, only: str = "") -> Callable[[], None]:
        """Have `callback` called with name and facts of events; returns what ends it."""
        return _register(self._event_listeners, (only, callback))

    async def until(self, condition: Callable[[S_co], bool], timeout_s: float) -> S_co:
        """Wait for a state of which `condition` is true, and return it.

        Raises:
            TimeoutError: there was none within `timeout_s`.
        """
        changed = asyncio.Event()
        stop = self.listen(changed.set)
        try:
            async with self._clock.timeout(timeout_s):
                while self.state is None or not condition(self.state):
                    changed.clear()
                    await changed.wait()
            return self.state
        finally:
            stop()

    async def do(self, command: Command[R], timeout_s: float) -> R:
        """Give a command and return its answer when the device has finished it.

        By then `state` is what the command has left behind, unless that message was lost.

        Raises:
            CommandError: the device, or its host, refused or failed; the kind says which.
            DeviceLostError: the device went away meanwhile, or is silent: nothing is waited for.
            CallTimeoutError: there was no answer within `timeout_s`.
        """
        result = await self._ask(command, timeout_s)
        if command.answer is None:
            return cast("R", None)
        try:
            return cast("R", command.answer.model_validate(result))
        except ValidationError as error:
            raise CommandError(
                ErrorKind.MALFORMED,
                f"the answer is no {command.answer.__name__}: {error.error_count()} errors, first "
                f"{error.errors(include_url=False)[0]['msg']}",
                retryable=False,
                device=self.name,
                command=command.command,
            ) from error

    async def _ask(self, command: Command[R], timeout_s: float) -> JsonObject:
        lease = self._lease
        token = lease.token if lease is not None and command.needs_lease else None
        until_s = self._clock.mono() + timeout_s
        if lease is not None and token is not None and self.since != self._leased:
            # A driver that has come up has not received the lease, and would refuse.
            self._leased = self.since
            await lease.renew()
        answer = await self._request(command, timeout_s, token)
        left_s = until_s - self._clock.mono()
        refused = answer.error is not None and answer.error.kind is ErrorKind.NO_LEASE
        if lease is not None and token is not None and refused and left_s > 0:
            # The lease did not get there: send it again, and ask once more.
            await lease.renew()
            answer = await self._request(command, left_s, token)
        if answer.state_seq is not None:
            await self._states.reach(answer.state_seq)
        return result_of(answer, self.name, command.command)

    async def _request(self, command: Command[R], timeout_s: float, token: str | None) -> Answer:
        asked_of = self.since

        def lost_in_s() -> float:
            # Another driver than the one that was asked knows nothing of the command.
            another = asked_of is not None and self.since != asked_of
            return 0.0 if another else self._lost_in_s()

        return await self._caller.ask(
            self.name, command.command, command, timeout_s=timeout_s, lease=token,
            lost_in_s=lost_in_s,
        )  # fmt: skip

    def _lost_in_s(self) -> float:
        """Seconds until the device counts as gone, as things are now.

        What was never received is not missed, and nothing arrives while the bus itself is away.
        """
        if self.since is None or not self._bus.connected:
            return math.inf
        now_s = self._clock.mono()
        if not self._said_online:
            return self._offline_mono_s + _BACK_WITHIN_S + lateness_s(self._clock) - now_s
        if self.state is None:
            return math.inf
        heard_mono_s = max(self._states.heard_mono_s, self._connected_mono_s)
        # `down` begins a moment later: a caller who then asks why it failed finds the device down.
        return heard_mono_s + self._patience_s + 1e-3 - now_s

    async def start(self) -> None:
        """Begin to listen with a task of its own; not for a device of a `RigClient`."""
        if self._task is None:
            tasks = Tasks(self._clock)
            self._task = tasks.keep(self.name, lambda: listen_to(self._bus, (self,)), "leave")

    async def stop(self) -> None:
        """Listen no more."""
        task, self._task = self._task, None
        if task is not None:
            await end(task, reason="the device has no listener any more")

    def patterns(self) -> tuple[str, ...]:
        """Topic filters that this client has to receive."""
        return (*self._routes, self._topics.events(self.name))

    def offer(self, message: Message) -> None:
        """Take in one message of `patterns`; never raises."""
        route = self._routes.get(message.topic, self._take_event)
        try:
            route(message)
        except (MalformedError, ValidationError) as error:
            self.malformed += 1
            if is_notable(self.malformed):
                _log.warning(
                    "device_message_malformed",
                    device=self.name,
                    topic=message.topic,
                    count=self.malformed,
                    error=str(error)[:300],
                )

    def review(self) -> None:
        """Notify the listeners if the device has gone down, or come up, since the last time."""
        if self._turned():
            self._notify()

    def _turned(self) -> bool:
        """Return whether the device has gone down, or come up, since the last time."""
        turned = self.down is not self._was_down
        if turned:
            self._was_down = not self._was_down
            if not self._was_down:
                self._back_mono_s = self._clock.mono()
        return turned

    def _take_state(self, message: Message) -> None:
        changed = self._states.take(message)
        if changed is None:
            return
        if self._turned() or changed:
            self._notify()

    def _take_online(self, message: Message) -> None:
        said = decode(Online, message.payload)
        if said.since != self.since:
            self._states.seq = 0
        if not said.online and self._said_online:
            self._offline_mono_s = self._clock.mono()
        self._said_online = said.online
        self.since = said.since
        self._turned()
        self._caller.look_again(self.name)
        self._notify()

    async def _connected(self) -> None:
        self._connected_mono_s = self._clock.mono()

    def _take_about(self, message: Message) -> None:
        said = decode(About, message.payload)
        if said.kind != self.kind:
            raise MalformedError(f"{self.name} is a {said.kind}, not a {self.kind}")
        self.about = DeviceAbout(
            kind=self.kind,
            driver=said.driver,
            capabilities=tuple(said.capabilities),
            limits=said.limits,
        )
        before = self.account
        self.account = HostReport.model_validate(said.account) if said.account else None
        if before and self.account and before.since_utc_s != self.account.since_utc_s:
            self._earlier_accounts.append(before)
        self._notify()

    def _take_event(self, message: Message) -> None:
        name = message.topic.removeprefix(self._event_prefix)
        if not (heard := [hear for only, hear in self._event_listeners if only in ("", name)]):
            return
        facts = decode(EventEnvelope, message.payload).facts
        for callback in heard:
            try:
                callback(name, facts)
            except Exception:
                _log.exception("device_event_listener_failed", device=self.name, event_name=name)

    def _notify(self) -> None:
        for callback in tuple(self._listeners):
            try:
                callback()
            except Exception:
                _log.exception("device_listener_failed", device=self.name)


C = TypeVar("C")


def _register(callbacks: list[C], callback: C) -> Callable[[], None]:
    callbacks.append(callback)

    def unregister() -> None:
        if callback in callbacks:
            callbacks.remove(callback)

    return unregister
