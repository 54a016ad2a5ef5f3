"""The driver host: puts one driver on the bus, and keeps its device safe without the daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Self

import structlog
from pydantic import JsonValue, ValidationError

from midwatch.bus import (
    Bus,
    CommandError,
    Counters,
    ErrorKind,
    EventEnvelope,
    JsonObject,
    MalformedError,
    Request,
    Responder,
    Subscription,
    Topics,
    decode,
)
from midwatch.clock import Clock
from midwatch.devices.client import LeaseWatch
from midwatch.devices.contract import (
    Command,
    DeviceError,
    Driver,
    DriverContext,
    DriverFactory,
    Facts,
    HostBook,
    KeptFacts,
    Kind,
    MakeSafe,
    MemoryKeptFacts,
    Model,
    Spool,
)
from midwatch.devices.contract.kinds import Slew
from midwatch.devices.host.limit_guard import LimitGuard
from midwatch.devices.host.peers import Peers
from midwatch.devices.host.publisher import Publisher
from midwatch.devices.host.requests import command_model, needs_link, read_command
from midwatch.devices.host.safe_keeper import SafeKeeper
from midwatch.devices.host.side_tasks import SideTasks
from midwatch.devices.host.work import Work
from midwatch.errors import InputError
from midwatch.seeding import device_rng
from midwatch.sky import Breach, Horizon, MountLimits, Observer, Place
from midwatch.sky.mounts import STRICT_GERMAN, MountGeometry
from midwatch.tasks import for_ever, start

# Longest that making safe may take before it is tried again: closing and parking take minutes,
# not more; a longer limit leaves a hung driver alone with the rig.
SAFE_LIMIT_S = 300.0
# Longest that the guard, or the end of the host, waits for one step of a driver.
STEP_S = 10.0

_log = structlog.get_logger(__name__)


class DriverStartError(InputError):
    """A driver does not accept its options, or cannot begin."""


@dataclass(frozen=True)
class HostedDevice:
    """A device and its driver.

    Attributes:
        name: of the device on the bus.
        driver_name: under which the driver is installed.
        factory: makes the driver.
        options: the driver's own settings.
        spool: for exposures.
        seed: of the night.
        kept_facts: for what the driver wants to find again; None forgets it with the host.
    """

    name: str
    driver_name: str
    factory: DriverFactory
    options: Mapping[str, JsonValue]
    spool: Spool
    seed: int
    kept_facts: KeptFacts | None = None


@dataclass(frozen=True)
class HostSetting:
    """Where a device is, and what its host keeps to.

    Attributes:
        place: where the rig is.
        heartbeat_s: longest time between two states.
        lease_s: silence of the lease after which the device is made safe.
        limits: of the mount; None for other devices, or for a mount without a guard.
        geometry: how the rig's mount is built.
        horizon: of the site.
    """

    place: Place
    heartbeat_s: float
    lease_s: float
    limits: MountLimits | None = None
    geometry: MountGeometry = STRICT_GERMAN
    horizon: Horizon = field(default_factory=lambda: Horizon.flat(0.0))


class DeviceHost:
    """Hosts one driver on the bus.

    It enters `bus` itself, which must not have been entered (the last will is set before). It
    serves while `run` runs, or inside an ``async with``, which returns once the driver is there.

    Args:
        bus: the host's own participant.
        topics: of the rig.
        clock: gives the time.
        device: what it hosts.
        setting: where that is.
    """

    def __init__(
        self, bus: Bus, topics: Topics, clock: Clock, device: HostedDevice, setting: HostSetting
    ) -> None:
        self.name = device.name
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._device = device
        self._setting = setting
        self._guard: LimitGuard | None = None
        self._ready = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    @property
    def driver(self) -> Driver:
        """The driver; there is none before the host has started."""
        return self._driver

    @property
    def counters(self) -> Counters:
        """What was asked of the device since it started."""
        return self._responder.counters

    async def run(self) -> None:
        """Serve until cancelled.

        Raises:
            DriverStartError: the driver refuses its options.
        """
        try:
            self._open()
            try:
                async with self._bus:
                    try:
                        await self._serve()
                    finally:
                        await self._publisher.leave(self._book.changed)
            finally:
                await self._close()
        except BaseExceptionGroup as group:
            raise _only_error(group) from None
        finally:
            self._side_tasks.drop()

    async def __aenter__(self) -> Self:
        self._task = start(f"host of {self.name}", self.run())
        ready = start(f"start of {self.name}", self._ready.wait())
        try:
            await asyncio.wait((self._task, ready), return_when=asyncio.FIRST_COMPLETED)
        finally:
            ready.cancel()
        if self._task.done():
            self._task.result()
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait((self._task,))
        if not self._task.cancelled():
            self._task.result()

    def on_end(self, callback: Callable[[], None]) -> None:
        """Have `callback` called when the host has ended, in whatever way."""
        assert self._task is not None
        self._task.add_done_callback(lambda _: callback())

    async def wait(self, other: asyncio.Task[Any]) -> None:
        """Wait until `other` is done, or the host has failed, which then is raised on leaving."""
        assert self._task is not None
        await asyncio.wait((self._task, other), return_when=asyncio.FIRST_COMPLETED)

    async def rest(self) -> None:
        """Make the device safe, until it is at rest: its process was asked to end."""
        await self._keeper.rest()

    def _open(self) -> None:
        """Make the driver and everything around it; nothing is on the bus yet."""
        device, setting = self._device, self._setting
        self._publisher = Publisher(
            self._bus, self._topics, self._clock, self.name, device.driver_name, self._noticed,
            lambda: self._book.report(),
        )  # fmt: skip
        self._side_tasks = SideTasks(self.name, self._publisher.emit)
        self._lease = LeaseWatch(self._clock, setting.lease_s)
        self._book = HostBook(self._clock, setting.lease_s, self._turned_away)
        peers = Peers(
            self._bus, self._topics, self._clock, device.seed, setting.heartbeat_s, self._lease,
            self._side_tasks.spawn,
        )  # fmt: skip
        context = DriverContext(
            name=self.name,
            clock=self._clock,
            options=device.options,
            place=setting.place,
            rng=device_rng(device.seed, self.name),
            spool=device.spool,
            kept_facts=device.kept_facts or MemoryKeptFacts(),
            emit=self._publisher.emit,
            watch=self._watch,
            changed=self._publisher.changed,
            spawn=self._side_tasks.spawn,
            peer=peers.find,
            geometry=setting.geometry,
            horizon=setting.horizon,
        )
        try:
            self._driver = device.factory(context)
        except (ValidationError, DeviceError, ValueError) as error:
            raise DriverStartError(
                f"device {self.name}: driver {device.driver_name} cannot start: {error}"
            ) from error
        self._publisher.attach(self._driver)
        self._keeper = SafeKeeper(
            self._clock,
            self.name,
            self._driver,
            self._lease,
            self._book,
            self._publisher,
            self._act,
        )
        self._leases = self._bus.subscribe(self._topics.night_lease)
        if setting.limits is not None and self._driver.kind is Kind.MOUNT:
            self._guard = LimitGuard(
                self._clock,
                Observer(setting.place),
                setting.limits,
                self._driver,
                self._act,
                self._held,
            )
        self._responder = Responder(
            self._bus, self._topics, self.name, self._clock, self._handle, self._book.changed.set,
            lambda: self._publisher.state_seq,
        )  # fmt: skip
        self._bus.set_will(self._topics.online(self.name), self._publisher.will())
        self._bus.on_connect(self._publisher.announce)

    async def _serve(self) -> None:
        # The death of any of them ends the host: its supervisor starts the process again.
        services: list[tuple[str, Callable[[], Coroutine[Any, Any, None]]]] = [
            ("lease", self._hear_leases),
            ("silence", self._keeper.run),
            ("news", self._publisher.run),
            ("heartbeat", partial(self._publisher.beat, self._setting.heartbeat_s)),
            ("commands", self._responder.run),
            ("account", partial(self._publisher.publish_news, self._book.changed)),
        ]
        if self._guard is not None:
            services.append(("limits", self._guard.run))
        async with asyncio.TaskGroup() as tasks:
            self._work = Work(self._clock, tasks, self.name)
            for name, service in services:
                named = f"{self.name} {name}"
                start(named, for_ever(named, service), tasks)
            self._side_tasks.start(tasks)
            self._ready.set()

    async def _close(self) -> None:
        try:
            async with self._clock.timeout(STEP_S):
                await self._driver.close()
        except Exception:  # the host ends whatever the driver does
            _log.exception("driver_close_failed", device=self.name)

    # Commands --------------------------------------------------------------------------------

    async def _handle(self, name: str, request: Request) -> JsonObject | None:
        """Judge one request and do it; raises CommandError for every refusal."""
        kind = self._driver.kind
        model = command_model(kind, name)
        if model.needs_lease and not self._lease.held_by(request.lease):
            raise CommandError(
                ErrorKind.NO_LEASE, f"{request.sender} does not hold the lease", retryable=True
            )
        command = read_command(model, request.args)
        if needs_link(command) and not self._driver.state().connected:
            raise CommandError(
                ErrorKind.NOT_CONNECTED,
                f"the driver has no link to its hardware: connect before {name}",
                retryable=True,
            )
        if self._guard is not None and (refusal := self._guard.refusal(command)) is not None:
            raise CommandError(ErrorKind.LIMIT, refusal)
        self._book.obeyed(request.lease if model.needs_lease else None, request.sender)
        limit_s = (request.deadline - self._clock.now()).total_seconds()
        answer = await self._work.do(command, partial(self._perform, command), limit_s)
        # The receiver of the answer must have the state that it left behind.
        await self._publisher.flush(changed=True)
        return None if answer is None else answer.model_dump(mode="json")

    async def _perform(self, command: Command[Any]) -> Model | None:
        try:
            if isinstance(command, MakeSafe):
                await self._driver.make_safe(command.reason)
                return None
            if self._guard is not None and isinstance(command, Slew):
                return await self._guard.oversee(command, partial(self._driver.perform, command))
            return await self._driver.perform(command)
        except BaseException:  # cancelled or failed, the device may have moved
            self._publisher.changed()
            raise

    async def _act(self, command: Command[Any]) -> None:
        """Do what the host itself decided, past lease and limits."""
        limit_s = SAFE_LIMIT_S if isinstance(command, MakeSafe) else STEP_S
        await self._work.do(command, partial(self._perform, command), limit_s)
        self._publisher.changed()

    # Lease -----------------------------------------------------------------------------------

    async def _hear_leases(self) -> None:
        async for message in self._leases:
            if self._lease.take(message):
                self._book.heard()
                if self._lease.begun_again:
                    # A new holder may find a broker that has lost what was published before.
                    await self._publisher.announce()
            elif not message.retain:
                self._book.changed.set()

    def _turned_away(self) -> dict[str, int]:
        counts = self._responder.counters.turned_away()
        leases = {"lease_malformed": self._lease.malformed, "lease_refused": self._lease.refused}
        return counts | {name: count for name, count in leases.items() if count}

    # What the driver and the guard call ------------------------------------------------------

    def _noticed(self) -> None:
        if self._guard is not None:
            self._guard.noticed()

    def _held(self, breach: Breach, stopped: bool) -> None:
        _log.warning("limit_held", device=self.name, limit=breach.kind, message=breach.message)
        self._publisher.emit(
            "limit_held", {"limit": breach.kind, "message": breach.message, "stopped": stopped}
        )

    def _watch(self, device: str, event: str, call: Callable[[Facts], None]) -> None:
        messages = self._bus.subscribe(self._topics.event(device, event))
        name = f"watch {device} {event}"
        self._side_tasks.spawn(name, for_ever(name, partial(self._hear_events, messages, call)))

    async def _hear_events(self, messages: Subscription, call: Callable[[Facts], None]) -> None:
        async for message in messages:
            try:
                call(decode(EventEnvelope, message.payload).facts)
            except MalformedError as error:
                _log.warning("event_malformed", topic=message.topic, error=str(error))
            except Exception:  # one bad event must not end the watch
                _log.exception("event_watch_failed", device=self.name, topic=message.topic)


def _only_error(group: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup) and len(error.exceptions) == 1:
        error = error.exceptions[0]
    return error
