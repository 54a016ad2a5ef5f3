"""Puts a night together from its parts and runs it: the one place where all rooms meet.

The same composition serves a rehearsal (everything in one process, in-process bus, virtual time)
and a real night (MQTT, a process for each device, the wall clock or a scaled one).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal

from midwatch import __version__
from midwatch.bus import Bus
from midwatch.bus.calls import Caller
from midwatch.bus.disturbed import DisturbedBroker
from midwatch.bus.memory import MemoryBroker
from midwatch.bus.settings import BrokerSettings
from midwatch.bus.topics import Topics
from midwatch.clock import (
    Clock,
    ScaledClock,
    ShiftedClock,
    SteadyClock,
    VirtualClock,
    WallClock,
)
from midwatch.devices.chance import device_rng
from midwatch.devices.guard import mount_limits
from midwatch.devices.lease import LeaseHolder
from midwatch.devices.process import RigSetting
from midwatch.devices.rig import RigClient
from midwatch.durable import make_folder
from midwatch.imaging.worker import Measurer, ProcessMeasurer
from midwatch.interface.byhand import RehearsedPerson
from midwatch.interface.deviceprocesses import DeviceProcesses
from midwatch.interface.faultstage import FaultStage, Lives, faulty_rig
from midwatch.interface.life import Disk, Life
from midwatch.interface.loading import load_orders
from midwatch.interface.rehearsed import RehearsedDevices
from midwatch.interface.simulated import simulated_rig, with_rare_heartbeats
from midwatch.journal.context import NightContext
from midwatch.journal.events import Notice
from midwatch.journal.focus_model import FocusMemory
from midwatch.journal.learned import LearnedDurations
from midwatch.journal.record import NightRecord
from midwatch.journal.report import take_accounts, write_outputs
from midwatch.journal.store import Event, Journal
from midwatch.journal.summary_models import NightSummary
from midwatch.orders import Night
from midwatch.orders.faults import ScheduledFault
from midwatch.planning import NightPlan, plan_night, require_a_target
from midwatch.sequencer.aim import Aim
from midwatch.sequencer.changing import OrdersRefusedError, orders_found
from midwatch.sequencer.context import DutyContext
from midwatch.sequencer.contracts import Supervisor
from midwatch.sequencer.darkroom import Darkroom
from midwatch.sequencer.engine import Engine
from midwatch.sequencer.eyes import Eyes
from midwatch.sequencer.focuswatch import focus_scale
from midwatch.sequencer.gradebook import earlier_lights
from midwatch.sequencer.nightfacts import Identity
from midwatch.sequencer.operator import IncomingOrders, OperatorDesk
from midwatch.sequencer.registry import load_registry
from midwatch.sky import LimitCheck, Observer
from midwatch.sky.geometry import pixel_scale_arcsec
from midwatch.sky.night import evening_at
from midwatch.virtual_time import run_virtual

SkyMode = Literal["pixels", "fast"]
Hear = Callable[[Event], None]
Guest = Callable[[MemoryBroker, Topics, Clock], Coroutine[Any, Any, None]]

# Virtual time starts this long before preparation, so that the wait for it is rehearsed too.
_EARLY_S = 300.0
_BROKER_S = 30.0
_ARRIVAL_S = 30.0


@dataclass(frozen=True)
class RehearsalOptions:
    """How to rehearse; None takes the orders' own seed and evening.

    Attributes:
        faults: what goes wrong.
        guest: somebody else at the bus, for as long as the night lasts.
        lean: leave frames and journal only, without report and night.json.
    """

    seed: int | None
    sky_mode: SkyMode
    data_folder: Path
    evening: date | None
    faults: tuple[ScheduledFault, ...] = ()
    guest: Guest | None = None
    lean: bool = False


@dataclass(frozen=True)
class RunOptions:
    """How to run a night.

    Attributes:
        speed: 1 is real time; above, simulated devices run scaled from ``start``.
        anchor_unix_s: real POSIX time at which scaled time equals ``start``; None is now.
        spawn_devices: start one process for each device of the rig.
        faults: what simulated devices show.
    """

    data_folder: Path
    evening: date | None
    seed: int | None
    speed: float
    start: datetime | None
    bus: BrokerSettings
    spawn_devices: bool
    sky_mode: SkyMode = "pixels"
    anchor_unix_s: float | None = None
    faults: tuple[ScheduledFault, ...] = ()


@dataclass(frozen=True)
class NightOutcome:
    """What a night left."""

    night: str
    folder: Path
    summary: NightSummary
    summary_path: Path
    report_path: Path
    promises_kept: bool
    interrupted: bool


def _open_journal(path: Path, clock: Clock, durable: bool) -> Journal:
    return Journal.open(path, clock, durable=durable)


@dataclass(frozen=True)
class _Stage:
    """Everything that differs between a rehearsal and a real night.

    Attributes:
        arrival_s: how long devices that were just started may take to come up.
        declared: the night as the files say; a rehearsal runs on another rig.
        supervisor: who can start drivers anew; None where nobody on this machine does.
        lean: leave no report.
    """

    clock: Clock
    bus: Bus
    topics: Topics
    measurer: Measurer
    data_folder: Path
    seed: int
    rehearsal: bool
    sky_mode: SkyMode | None
    hear: Hear | None
    arrival_s: float
    declared: Night
    open_journal: Callable[[Path, Clock, bool], Journal] = _open_journal
    supervisor: Supervisor | None = None
    lean: bool = False


def rehearse(night: Night, options: RehearsalOptions, on_event: Hear | None = None) -> NightOutcome:
    """Run the whole night in virtual time against simulated devices; blocks until its end."""
    evening = options.evening or night.orders.evening
    if evening is None:
        now_s = WallClock().unix_s()
        evening = evening_at(Observer(night.place), now_s, night.site.timezone)
    seed = night.orders.seed if options.seed is None else options.seed
    declared = night
    rig = faulty_rig(simulated_rig(night.rig, options.sky_mode), options.faults)
    night = replace(night, rig=with_rare_heartbeats(rig) if options.sky_mode == "fast" else rig)
    plan = plan_night(night, evening)
    require_a_target(night, plan)
    clock = VirtualClock(datetime.fromtimestamp(plan.prepare_from_s - _EARLY_S, UTC))
    machine = ShiftedClock(clock)
    # A rehearsal without faults of the machine needs no second look at its clock.
    daemon_clock: Clock = SteadyClock(machine) if options.faults else clock
    outcomes: list[NightOutcome] = []

    async def main() -> NightOutcome:
        broker = DisturbedBroker(device_rng(seed, "bus"), _physics)
        disk = Disk()
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        person = RehearsedPerson(broker, setting.topics, daemon_clock, declared, seed)
        async with RehearsedDevices(setting, broker, clock, seed) as devices, person:

            async def live(life: Life) -> None:
                stage = _Stage(
                    clock=daemon_clock,
                    bus=life.bus,
                    topics=setting.topics,
                    measurer=life.measurer,
                    data_folder=options.data_folder,
                    seed=seed,
                    rehearsal=True,
                    sky_mode=options.sky_mode,
                    hear=on_event,
                    arrival_s=0.0,
                    declared=declared,
                    open_journal=life.open_journal,
                    supervisor=devices,
                    lean=options.lean,
                )
                outcomes.append(await _conduct(night, plan, stage))

            lives = Lives(lambda: Life(broker, daemon_clock, disk), live)
            stage = FaultStage(
                options.faults, clock=clock, machine=machine, broker=broker, devices=devices,
                disk=disk, lives=lives, hand_in=person.hand_in,
            )  # fmt: skip
            beside = [asyncio.create_task(stage.run(), name="faults")]
            if options.guest is not None:
                visit = options.guest(broker, setting.topics, daemon_clock)
                beside.append(asyncio.create_task(visit, name="guest"))
            try:
                await lives.run()
            finally:
                for task in beside:
                    task.cancel()
                await asyncio.gather(*beside, return_exceptions=True)
            for task in beside:
                if not task.cancelled():
                    task.result()
            return outcomes[-1]

    return run_virtual(main)


def _physics(topic: str) -> bool:
    """Tell what is no message of the bus: how simulated devices act on each other."""
    return topic.endswith("/event/truth")


async def run(night: Night, options: RunOptions, on_event: Hear | None = None) -> NightOutcome:
    """Run a night over MQTT; cancel it, or order ``close``, to end it early.

    Raises:
        UnreachableError: the broker cannot be reached.
    """
    clock: Clock = SteadyClock(WallClock())
    if options.speed != 1.0 or options.start is not None:
        clock = ScaledClock(options.start or clock.now(), options.speed, options.anchor_unix_s)
    evening = options.evening or night.orders.evening
    if evening is None:
        evening = evening_at(Observer(night.place), clock.unix_s(), night.site.timezone)
    plan = plan_night(night, evening)
    require_a_target(night, plan)
    topics = Topics(night.site.name, night.rig.name)
    seed = night.orders.seed if options.seed is None else options.seed
    async with AsyncExitStack() as stack:
        settings = options.bus
        if settings.embedded:
            from midwatch.bus.embedded import EmbeddedBroker

            broker = await stack.enter_async_context(EmbeddedBroker())
            settings = broker.settings
        processes = None
        if options.spawn_devices:
            processes = DeviceProcesses(night, settings, clock, seed, options)
            await stack.enter_async_context(processes)
        from midwatch.bus.mqtt import MqttBus

        measurer = ProcessMeasurer()
        stack.push_async_callback(measurer.close)
        stage = _Stage(
            clock=clock,
            bus=MqttBus(settings, "midwatch-daemon", clock, seed=seed),
            topics=topics,
            measurer=measurer,
            data_folder=options.data_folder,
            seed=seed,
            rehearsal=False,
            sky_mode=None,
            hear=on_event,
            arrival_s=_ARRIVAL_S * options.speed if options.spawn_devices else 0.0,
            declared=night,
            supervisor=processes,
        )
        return await _conduct(night, plan, stage)


async def _conduct(night: Night, plan: NightPlan, stage: _Stage) -> NightOutcome:
    name = plan.evening.isoformat()
    folder = stage.data_folder / name
    make_folder(folder)
    journal = stage.open_journal(
        stage.data_folder / "journal.sqlite", stage.clock, not stage.rehearsal
    )
    try:
        journal.begin_night(name)
        context = _night_context(night)
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(stage.bus)
            await stage.bus.wait_connected(_BROKER_S)
            engine = await _assemble(stack, night, plan, stage, journal, folder)
            await engine.run()
        history = list(journal.events())
        events = [event for event in history if event.night == name]
        if stage.lean:
            summary = take_accounts(events, folder, context, history).summary
        else:
            summary = write_outputs(
                folder, events, context, durable=not stage.rehearsal, history=history
            )
    finally:
        journal.close()
    return NightOutcome(
        night=name,
        folder=folder,
        summary=summary,
        summary_path=folder / "night.json",
        report_path=folder / "report.html",
        promises_kept=all(promise.ok is not False for promise in summary.promises),
        interrupted=False,
    )


async def _assemble(
    stack: AsyncExitStack,
    night: Night,
    plan: NightPlan,
    stage: _Stage,
    journal: Journal,
    folder: Path,
) -> Engine:
    """Connect everything that a night needs; the stack takes it down again in reverse order."""
    clock = stage.clock
    everything = list(journal.events())
    tonight = [event for event in everything if event.night == journal.night]
    record, aim = NightRecord.from_events(tonight), Aim()
    night, plan = _orders_in_force(night, plan, stage.declared, tonight, journal)
    for event in tonight:
        aim.apply(event)
    life = sum(1 for event in tonight if event.fact.kind == "night_began") + 1
    rig = await _reach_rig(stack, night, stage, life)
    registry = load_registry()
    scale = pixel_scale_arcsec(night.rig.camera.pixel_um, night.rig.optics.focal_length_mm)
    eyes = Eyes(stage.measurer, scale)
    observer = Observer(night.place)
    context = DutyContext(
        clock=clock,
        night=night,
        plan=plan,
        rig=rig,
        record=record,
        journal=journal,
        darkroom=Darkroom(
            rig.camera,
            clock,
            eyes,
            stage.measurer,
            folder,
            durable=not stage.rehearsal,
            identify=_numbered(f"{journal.night}-{life}"),
        ),
        eyes=eyes,
        observer=observer,
        limits=LimitCheck(observer, mount_limits(night.rig.limits, night.horizon)),
        graders=registry.graders,
        lights=earlier_lights(record),
        focus_memory=FocusMemory(everything, journal.night, focus_scale(night.rig), night.rig.name),
        supervisor=stage.supervisor,
    )
    engine = Engine(
        clock=clock,
        night=night,
        plan=plan,
        rig=rig,
        journal=journal,
        record=record,
        aim=aim,
        context=context,
        registry=registry,
        learned=LearnedDurations.from_events(everything),
        identity=_identity(night, plan, stage, rig),
        data_folder=stage.data_folder,
    )
    incoming = IncomingOrders(engine, context, stage.declared, load_orders)
    desk = OperatorDesk(stage.bus, stage.topics, context, engine, incoming)
    journal.listen(desk.heard)
    if stage.hear is not None:
        journal.listen(stage.hear)
    await stack.enter_async_context(desk)
    return engine


def _orders_in_force(
    night: Night, plan: NightPlan, declared: Night, tonight: Sequence[Event], journal: Journal
) -> tuple[Night, NightPlan]:
    """Return the orders that a former life was handed in, if they still hold, or those given."""
    try:
        change = orders_found(tonight, night, declared, plan, load_orders)
    except OrdersRefusedError as error:
        journal.append(Notice(message=f"the orders handed in before hold no longer: {error}"))
        return night, plan
    return (night, plan) if change is None else (change.night, change.plan)


async def _reach_rig(stack: AsyncExitStack, night: Night, stage: _Stage, life: int) -> RigClient:
    """Return the rig's devices as seen over the bus, under a lease of our own."""
    clock, bus, topics = stage.clock, stage.bus, stage.topics
    # A rehearsal must be repeatable to the last identifier, and no life may reuse another's:
    # devices answer a command that they know with the answer that they gave before.
    call_seed = 1000 * stage.seed + life if stage.rehearsal else int(clock.unix_s() * 1000)
    caller = await stack.enter_async_context(Caller(bus, topics, clock, call_seed))
    lease = await stack.enter_async_context(
        LeaseHolder(bus, topics, clock, f"midwatch-{call_seed}", night.rig.bus.lease_s)
    )
    roles = night.rig.devices.present()
    rig = RigClient(bus, topics, caller, clock, roles, night.rig.bus.heartbeat_s, lease)
    await stack.enter_async_context(rig)
    if stage.arrival_s:
        # A device process takes seconds to start; what is missing then is the engine's business.
        await rig.wait_online(stage.arrival_s)
    return rig


def _identity(night: Night, plan: NightPlan, stage: _Stage, rig: RigClient) -> Identity:
    return Identity(
        night=plan.evening.isoformat(),
        seed=stage.seed if stage.rehearsal else None,
        rehearsal=stage.rehearsal,
        sky_mode=stage.sky_mode,
        orders_sha256=night.sha256["orders"],
        version=__version__,
        holder=(rig.lease.token if rig.lease is not None else None) or "",
    )


def _night_context(night: Night) -> NightContext:
    return NightContext(
        observer=Observer(night.place),
        horizon=night.horizon,
        limits=mount_limits(night.rig.limits, night.horizon),
        timezone=night.site.timezone,
        close_within_s=night.site.safety.close_within_s,
        read_noise_e=night.rig.camera.read_noise_e,
        pedestal_adu=night.rig.camera.pedestal_adu,
    )


def _numbered(stem: str) -> Callable[[], str]:
    number = 0

    def identify() -> str:
        nonlocal number
        number += 1
        return f"{stem}-{number:05d}"

    return identify
