"""What all simulated devices share: the link, the dispatch of commands, the published truth."""

from __future__ import annotations

import asyncio
from abc import abstractmethod
from collections.abc import Awaitable, Callable, Mapping
from typing import Any, ClassVar, Generic, TypeVar

from pydantic import JsonValue, ValidationError

from midwatch.devices.contract import (
    Command,
    Connect,
    DeviceAbout,
    DeviceError,
    DeviceState,
    Disconnect,
    DriverContext,
    Facts,
    Kind,
    MakeSafe,
    Model,
    Stop,
)
from midwatch.tasks import start
from midwatch_simulators.base.noise import draw_seed
from midwatch_simulators.faults import Faulty, Troubles

Handler = Callable[[Any], Awaitable[Model | None]]
M = TypeVar("M", bound=Model)

TRUTH_EVERY_S = 120.0  # slow processes are looked after, and what has changed is sent, this often
# What has not changed is sent again after this time, for devices that missed it. Sooner
# fills the bus with old news; later leaves a device that was cut off in the past for longer.
REPORTED_AGAIN_S = 600.0
VANISHING = ("-unplugged", "-power-lost")  # endings of faults that take the hardware away
LINK_S = 0.3  # opening a serial or USB link
# Devices that go by the truths of others, and ask for them when their driver was started again.
LISTENERS = ("camera", "guide_camera", "guider", "mount", "focuser", "roof")


class Options(Faulty):
    """Base of the settings of a simulated device: closed, with a default for everything."""


def read_options(model: type[M], context: DriverContext) -> M:
    """Parse a device's settings.

    Raises:
        DeviceError: a setting is unknown or out of range; the message names each of them.
    """
    try:
        return model.model_validate(dict(context.options))
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}"
            f" (it is {fault['input']!r})"
            for fault in error.errors()
        )
        known = ", ".join(model.model_fields)
        raise DeviceError(
            f"settings of {context.name} are wrong: {faults}. Known settings: {known}"
        ) from error


D = TypeVar("D", bound="SimulatedDevice")


def awake(device: D) -> D:
    """Return a device that has found its hardware as the last driver left it."""
    device.wake()
    return device


class Heard(Generic[M]):
    """The latest truth that another device has sent; `latest` is None before the first.

    Without a device nothing is ever received.
    """

    def __init__(
        self,
        context: DriverContext,
        device: str | None,
        model: type[M],
        call: Callable[[M], None] | None = None,
    ) -> None:
        self.latest: M | None = None
        self._model = model
        self._call = call
        if device is not None:
            context.watch(device, "truth", self._hear)

    def _hear(self, facts: Facts) -> None:
        try:
            self.latest = self._model.model_validate(dict(facts))
        except ValidationError:
            # Foreign facts under this name; what was received before still holds.
            return
        if self._call is not None:
            self._call(self.latest)


class SimulatedDevice:
    """A device that is only a model of one.

    Subclasses say what commands they take (`handlers`), what they report (`state`, `about`), what
    their physical truth is (`truth`) and how they come to rest (`come_to_rest`, `halt`).

    Attributes:
        linkless: commands that the driver does by itself, without its hardware.
        shows: names of the faults that it can show.
        fed: an outlet of the switch that is called like the device feeds it, if there is one.
    """

    kind: ClassVar[Kind]
    linkless: ClassVar[tuple[type[Command[Any]], ...]] = ()
    shows: ClassVar[tuple[str, ...]] = ()
    fed: ClassVar[bool] = False

    def __init__(self, context: DriverContext) -> None:
        self.context = context
        self.clock = context.clock
        self.seed = draw_seed(context.rng)
        self.connected = False
        self.fault: str | None = None
        self._spawned: list[str] = []
        self._kept_body: dict[str, JsonValue] = {}
        self._told: dict[str, Any] = {}
        self._announced_mono_s = 0.0
        self._at_work: list[asyncio.Task[Model | None]] = []
        self._handlers = dict(self.handlers())
        faulty = Faulty.model_validate({"faults": context.options.get("faults") or ()})
        self.troubles = Troubles(faulty.faults, self.clock)
        if self.troubles.names:
            context.spawn(f"{context.name} faults", self.troubles.watch(self._trouble))
        self._powered: bool | None = None  # None where no outlet has reported
        if self.fed:
            context.watch("switch", "truth", self._hear_outlets)
        if self._has_truth:
            for listener in LISTENERS:
                if listener != context.name:
                    context.watch(listener, "awake", lambda _: self.publish_truth())

    @abstractmethod
    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command of this kind."""

    @abstractmethod
    def state(self) -> DeviceState:
        """Return the whole state now."""

    @abstractmethod
    async def come_to_rest(self) -> None:
        """Go to the safe state of the kind."""

    def on_connect(self) -> None:
        """Begin what runs as long as the device; called at every connection."""

    def first_time(self, task: str) -> bool:
        """Return whether a task of this name has not been asked about before."""
        if task in self._spawned:
            return False
        self._spawned.append(task)
        return True

    def trouble(self, name: str, began: bool) -> None:
        """Take in that a fault has begun or ended; what lasts is better asked of `troubles`."""

    async def halt(self) -> None:
        """End what runs; running commands have been cancelled before. Nothing by default."""

    def truth(self) -> Model | None:
        """Return what really is, for the other simulated devices; None where none of them asks."""
        return None

    def beat(self) -> None:
        """Look after slow processes; called every `TRUTH_EVERY_S` seconds."""

    def limits(self) -> dict[str, JsonValue]:
        """Return limits for `about`."""
        return {}

    def about(self) -> DeviceAbout:
        """Say what the device can do."""
        return DeviceAbout(
            kind=self.kind,
            driver="simulated-" + self.kind.value.replace("_", "-"),
            capabilities=tuple(sorted(command.command for command in self._handlers)),
            limits=self.limits(),
        )

    async def perform(self, command: Command[Any]) -> Model | None:
        """Do one command.

        Raises:
            DeviceError: the device is not connected, does not know the command, or cannot do it.
        """
        if isinstance(command, Connect):
            await self._connect()
            return None
        if isinstance(command, Disconnect):
            self.connected = False
            self.context.changed()
            return None
        if not self.connected and not isinstance(command, self.linkless):
            raise DeviceError(
                f"{self.context.name} is not connected; connect it before {command.command}"
            )
        if isinstance(command, MakeSafe):
            await self.make_safe(command.reason)
            return None
        if isinstance(command, Stop):
            await self.halt()
            self._keep_body()
            return None
        handler = self._handlers.get(type(command))
        if handler is None:
            raise DeviceError(f"{self.context.name} does not know {command.command}")
        if not self._can_vanish or isinstance(command, self.linkless):
            return await handler(command)
        return await self._while_linked(handler, command)

    async def _while_linked(self, handler: Handler, command: Command[Any]) -> Model | None:
        """Do a command that fails as soon as the hardware is gone."""

        async def work() -> Model | None:
            return await handler(command)

        task = start(f"{self.context.name} {command.command}", work())
        self._at_work.append(task)
        try:
            return await task
        except asyncio.CancelledError:
            caller = asyncio.current_task()
            if caller is not None and caller.cancelling():
                raise
            raise DeviceError(
                f"{self.context.name} was lost during {command.command}; check its cable and power",
                retryable=True,
            ) from None
        finally:
            self._at_work.remove(task)

    async def make_safe(self, reason: str) -> None:
        """Bring the device to rest; why is a matter for its host.

        No one else may be there to open the link, so it is opened first where there is none.

        Raises:
            DeviceError: the hardware cannot be reached.
        """
        del reason
        if not self.connected:
            await self._connect()
        await self.come_to_rest()

    async def close(self) -> None:
        """Release the device."""
        self.connected = False

    def inform(self) -> None:
        """Let the host and the other devices know that something has changed."""
        self.publish_truth()
        self.context.changed()
        self._keep_body()

    def body(self) -> dict[str, JsonValue]:
        """Return what the hardware does without its driver; empty where that is nothing."""
        return {}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:
        """Go on with hardware that did this when the driver gave its last sign, so long ago."""

    def _keep_body(self) -> None:
        """Keep what the hardware does, if it has changed.

        A driver that is cancelled cannot know whether it is being stopped or its process dies.
        Only one that lives on has stopped its hardware, and reports it after.
        """
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            return
        body = self.body()
        if body and body != self._kept_body:
            self._kept_body = body
            self.context.kept_facts.save({**body, "at_utc_s": self.clock.unix_s()})

    def wake(self) -> None:
        """Find the hardware as the last driver left it, if there was one."""
        kept = self.context.kept_facts.load()
        at_utc_s = kept.pop("at_utc_s", None)
        if isinstance(at_utc_s, (int, float)):
            self.take_up(kept, max(0.0, self.clock.unix_s() - at_utc_s))
            self._keep_body()
            if self._has_truth and self.first_time("truth"):
                self.publish_truth()
                self.context.spawn(f"{self.context.name} truth", self._beats())
            # The others answer with what this driver has missed.
            self.context.emit("awake", {})

    def publish_truth(self) -> None:
        """Publish the truth."""
        truth = self.truth()
        if truth is not None:
            self._publish(truth.model_dump())

    def _publish_news(self) -> None:
        """Publish the truth if it is another than was sent last, or that was long ago."""
        truth = self.truth()
        if truth is None:
            return
        facts = truth.model_dump()
        news = {**facts, "utc_s": 0.0} != {**self._told, "utc_s": 0.0}
        if news or self.clock.mono() - self._announced_mono_s >= REPORTED_AGAIN_S:
            self._publish(facts)

    def _publish(self, facts: dict[str, Any]) -> None:
        self._told, self._announced_mono_s = facts, self.clock.mono()
        self.context.emit("truth", facts)

    @property
    def _has_truth(self) -> bool:
        return type(self).truth is not SimulatedDevice.truth

    @property
    def _can_vanish(self) -> bool:
        may_vanish = any(name.endswith(VANISHING) for name in self.troubles.names)
        return may_vanish or self._powered is not None

    @property
    def unplugged(self) -> bool:
        """Whether the device's cable is out, or its power gone."""
        return self._powered is False or any(
            self.troubles.active(name) for name in self.troubles.names if name.endswith(VANISHING)
        )

    def _hear_outlets(self, facts: Facts) -> None:
        outlets = facts.get("outlets")
        on = outlets.get(self.context.name) if isinstance(outlets, dict) else None
        if not isinstance(on, bool) or on is self._powered:
            return
        self._powered = on
        if not on:
            self._lose_link()
            self.power_cut()
        self.inform()

    def _trouble(self, name: str, began: bool) -> None:
        self.trouble(name, began)
        if began and name.endswith(VANISHING):
            self._lose_link()
        self.inform()

    def _lose_link(self) -> None:
        """Be gone from the bus of the computer, as a device is whose cable is pulled."""
        self.connected = False
        for task in self._at_work:
            task.cancel()
        self.link_lost()
        self.fault = f"{self.context.name} is gone: check its cable and power"

    def power_cut(self) -> None:
        """Take in that the outlet was switched off; nothing by default."""

    def link_lost(self) -> None:
        """Take in that the hardware is gone; nothing by default."""

    async def _connect(self) -> None:
        await self.clock.sleep(LINK_S)
        if self.unplugged:
            raise DeviceError(
                f"{self.context.name} is not found; check its cable and power", retryable=True
            )
        self.connected = True
        self.fault = None
        self.on_connect()
        if self._has_truth and self.first_time("truth"):
            self.context.spawn(f"{self.context.name} truth", self._beats())
        self.inform()

    async def _beats(self) -> None:
        while True:
            await self.clock.sleep(TRUTH_EVERY_S)
            self.beat()
            self._publish_news()
            self._keep_body()
