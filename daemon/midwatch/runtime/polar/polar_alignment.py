"""Puts a polar alignment together and runs it, rehearsed or for real.

It is conducted as a night is: the same engine, safety watch, duties, devices and journal, with
another course (`sequencer.alignment_rules`) and one more duty (`sequencer.alignment_duty`).
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from itertools import count
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from midwatch.alignment import (
    ALIGN,
    SUN_BELOW_DEG,
    Align,
    Alignment,
    AlignmentField,
    AlignOptions,
    Narrator,
    Publish,
    choose_fields,
    conclude,
    decide_alignment,
)
from midwatch.bus import EventEnvelope, MemoryBroker, MemoryBus, Topics, encode
from midwatch.clock import Clock, ScaledClock, SteadyClock, VirtualClock, WallClock
from midwatch.devices.host import RigSetting
from midwatch.durable import make_folder
from midwatch.imaging import InlineMeasurer, ProcessMeasurer
from midwatch.journal.store import Event, Journal
from midwatch.orders.injected import ScheduledFault
from midwatch.orders.models import DeviceEntry, Rig
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, plan_night
from midwatch.reports import utc_text
from midwatch.runtime.folder import Surroundings
from midwatch.runtime.night import Beginning, RigUse, SkyMode, Stage, assemble, night_limits
from midwatch.runtime.real import DeviceProcesses, RunOptions
from midwatch.runtime.rehearsal import Guest, RehearsedDevices
from midwatch.runtime.simulation import faulty_rig, simulated_rig
from midwatch.seeding import device_rng
from midwatch.sequencer.night import Engine
from midwatch.sky import Observer, night_at
from midwatch.tasks import Tasks, end
from midwatch.tasks import start as begin
from midwatch.virtual_time import run_virtual

__all__ = [
    "AlignOptions", "Alignment", "AtTheKnobs", "Rehearsal", "fields_for",
    "rehearse_alignment", "run_alignment",
]  # fmt: skip

# Separate from the nights' own: an alignment is no part of their history.
JOURNAL_NAME = "polar.sqlite"
_BROKER_S = 30.0
_ARRIVAL_S = 30.0
# How far off a rehearsed set-up is if the rig file does not say, each way.
_ROUGH_ARCMIN = 90.0
# Standing orders that an alignment obeys: those that make the rig safe.
_OBEYED = ("close", "secure")


@dataclass(frozen=True)
class Rehearsal:
    """How an alignment is rehearsed.

    Attributes:
        faults: of simulated devices.
        guest: another client at the bus, for as long as it lasts.
    """

    seed: int
    evening: date
    sky_mode: SkyMode
    data_folder: Path
    faults: tuple[ScheduledFault, ...] = ()
    guest: Guest | None = None


@dataclass
class AtTheKnobs:
    """The person who reads what is shown, and may interrupt.

    Attributes:
        inform: shows them a line.
    """

    inform: Callable[[str], None]
    _task: asyncio.Task[Any] | None = field(default=None, init=False)
    _engine: Engine | None = field(default=None, init=False)
    _align: Align | None = field(default=None, init=False)
    _asked: bool = field(default=False, init=False)

    def attend(self, engine: Engine, align: Align) -> None:
        """From now on an interruption goes to this alignment, in the current task."""
        self._task, self._engine, self._align = asyncio.current_task(), engine, align

    def interrupt(self) -> bool:
        """End guidance, else put the rig away, else end at once; False if nothing runs yet."""
        if self._engine is None or self._align is None or self._task is None:
            return False
        if self._align.guiding and not self._align.enough.is_set():
            self._align.enough.set()
        elif not self._asked:
            self._asked = True
            self._engine.operator("close", "you", "Ctrl-C", None)
        else:
            self.inform("ending at once; the devices make themselves safe: stay clear of them")
            self._task.cancel("ended at once by a second signal")
        return True


def rehearse_alignment(
    night: Night, options: AlignOptions, rehearsal: Rehearsal, person: AtTheKnobs
) -> Alignment:
    """Align the simulated rig in virtual time from dusk on; a simulated person turns its knobs."""
    rig = _with_knobs(simulated_rig(night.rig, rehearsal.sky_mode), rehearsal.seed)
    night = replace(night, rig=faulty_rig(rig, rehearsal.faults))
    start = datetime.fromtimestamp(plan_night(night, rehearsal.evening).dusk_s, UTC)
    clock = VirtualClock(start)

    async def main() -> Alignment:
        broker = MemoryBroker()
        setting = RigSetting(night.rig, night.site.name, night.place, night.horizon)
        async with (
            RehearsedDevices(setting, broker, clock, rehearsal.seed) as devices,
            _visited(rehearsal.guest, broker, setting.topics, clock),
        ):
            stage = Stage(
                clock=clock,
                bus=MemoryBus(broker, "midwatch"),
                topics=setting.topics,
                measurer=InlineMeasurer(),
                data_folder=rehearsal.data_folder,
                seed=rehearsal.seed,
                rehearsal=True,
                sky_mode=None,
                hear=None,
                arrival_s=0.0,
                declared=night,
                tasks=Tasks(clock),
                supervisor=devices,
            )
            return await _align(night, options, stage, person)

    return run_virtual(main)


@asynccontextmanager
async def _visited(
    guest: Guest | None, broker: MemoryBroker, topics: Topics, clock: Clock
) -> AsyncIterator[None]:
    """Have the guest there while the block runs."""
    if guest is None:
        yield
        return
    visit = begin("guest", guest(broker, topics, clock))
    try:
        yield
    finally:
        await end(visit, reason="the alignment is over")


async def run_alignment(
    night: Night, options: AlignOptions, run: RunOptions, person: AtTheKnobs
) -> Alignment:
    """Align over MQTT, with a process for each device.

    Raises:
        UnreachableError: the broker cannot be reached.
    """
    clock: Clock = SteadyClock(WallClock())
    if run.start is not None:
        clock = ScaledClock(run.start, run.speed, run.anchor_unix_s)
    seed = night.orders.seed if run.seed is None else run.seed
    tasks = Tasks(clock)
    async with AsyncExitStack() as stack:
        processes = None
        if run.spawn_devices:
            processes = DeviceProcesses(night, run.bus, clock, seed, run, tasks=tasks)
            await stack.enter_async_context(processes)
        from midwatch.bus.mqtt import MqttBus

        measurer = ProcessMeasurer()
        stack.push_async_callback(measurer.close)
        stage = Stage(
            clock=clock,
            bus=MqttBus(run.bus, "midwatch-daemon", clock, seed=seed, tasks=tasks),
            topics=Topics(night.site.name, night.rig.name),
            measurer=measurer,
            data_folder=run.data_folder,
            seed=seed,
            rehearsal=False,
            sky_mode=None,
            hear=None,
            arrival_s=_ARRIVAL_S * run.speed if run.spawn_devices else 0.0,
            declared=night,
            tasks=tasks,
            supervisor=processes,
            speed=run.speed,
        )
        return await _align(night, options, stage, person)


def fields_for(night: Night, options: AlignOptions, utc_s: float) -> tuple[AlignmentField, ...]:
    """Return where the telescope would go at a time.

    Raises:
        InputError: it is too bright, or the limits leave no fields.
    """
    return choose_fields(night_limits(night), options, utc_s)


async def _align(
    night: Night, options: AlignOptions, stage: Stage, person: AtTheKnobs
) -> Alignment:
    began_s = stage.clock.unix_s()
    align = Align(options, person.inform, _publisher(stage))
    events: list[Event] = []
    make_folder(stage.data_folder)
    path = stage.data_folder / JOURNAL_NAME
    journal = stage.open_journal(path, stage.clock, not stage.rehearsal)
    try:
        journal.begin_night(_name(journal, began_s))
        journal.listen(events.append)
        zone, has_roof = ZoneInfo(night.site.timezone), night.rig.devices.roof is not None
        journal.listen(Narrator(person.inform, zone, has_roof).hear)
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(stage.bus)
            await stage.bus.wait_connected(_BROKER_S)
            begun = Beginning(
                night=_obeying_safety_alone(night),
                plan=_plan(night, began_s),
                stage=stage,
                journal=journal,
                folder=stage.data_folder,
                use=RigUse(decide_alignment, {ALIGN: align}),
            )
            engine, _ = await assemble(stack, begun)
            person.attend(engine, align)
            await engine.run()
    finally:
        journal.close()
    context = Surroundings.of(night, stage.speed).context()
    return conclude(night, options, align.found, events, context)


def _name(journal: Journal, began_s: float) -> str:
    """Return a name for this alignment that no other one in the journal has."""
    began = utc_text(round(began_s))
    same = sum(name.startswith(began) for name in journal.nights())
    return f"{began}-{same + 1}" if same else began


def _obeying_safety_alone(night: Night) -> Night:
    """Return the orders without those that are about frames."""
    kept = tuple(order for order in night.orders.standing_orders if order.do in _OBEYED)
    return replace(night, orders=night.orders.model_copy(update={"standing_orders": kept}))


def _plan(night: Night, now_s: float) -> NightPlan:
    """Return what an alignment may have of the night: all of it that is dark enough for stars."""
    events = night_at(Observer(night.place), now_s, night.site.timezone)
    dark = events.dark_window(-SUN_BELOW_DEG)
    return NightPlan(
        evening=events.evening,
        events=events,
        prepare_from_s=now_s,
        work_from_s=now_s,
        dusk_s=now_s,
        dawn_s=now_s if dark is None else dark[1],
        targets=(),
    )


def _publisher(stage: Stage) -> Publish:
    numbers = count(1)
    topic = stage.topics.event("polar", "guidance")

    async def publish(facts: dict[str, object]) -> None:
        envelope = EventEnvelope(seq=next(numbers), at=stage.clock.now(), facts=facts)
        await stage.bus.publish(topic, encode(envelope))

    return publish


def _with_knobs(rig: Rig, seed: int) -> Rig:
    """Return a simulated rig that was set up roughly, with a person at its knobs."""
    mount = rig.devices.mount
    rng = device_rng(seed, "set-up")
    high, east = (round(float(value), 1) for value in rng.uniform(-_ROUGH_ARCMIN, _ROUGH_ARCMIN, 2))
    rough = {"polar_high_arcmin": high, "polar_east_arcmin": east}
    options = {**rough, **mount.options, "person_at_knobs": True}
    entry = DeviceEntry(driver=mount.driver, options=options)
    devices = rig.devices.model_copy(update={"mount": entry})
    return rig.model_copy(update={"devices": devices})
