"""Puts a night together from its parts and runs it: the one place where all rooms meet.

The same composition serves a rehearsal (`rehearsal`: everything in one process, in-process bus,
virtual time) and a real night (`realnight`: MQTT, a process for each device, the wall clock or a
scaled one).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, Protocol, runtime_checkable

from midwatch import __version__
from midwatch.bus import Bus, Caller, Topics
from midwatch.clock import Clock
from midwatch.devices.client import LeaseHolder, RigClient
from midwatch.devices.host import mount_limits
from midwatch.durable import make_folder
from midwatch.imaging import Measurer
from midwatch.journal.facts import HostAccount, Notice
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event, Journal
from midwatch.learning import FocusMemory, LearnedDurations, SizeScale
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.reports import Measure, NightSummary, take_accounts, write_outputs
from midwatch.runtime.files import load_orders, require_plugins
from midwatch.runtime.folder import Surroundings
from midwatch.sequencer.camera import FrameAnalysis, FrameTaker
from midwatch.sequencer.decision import Decide, decide
from midwatch.sequencer.duties import Duty, DutyContext, Registry, Supervisor, load_registry
from midwatch.sequencer.facts import RigHistory, focus_scale
from midwatch.sequencer.grading import earlier_lights
from midwatch.sequencer.night import (
    Engine,
    EngineParts,
    Identity,
    IncomingOrders,
    OperatorDesk,
    OrdersRefusedError,
    orders_found,
)
from midwatch.sky import LimitCheck, Observer, pixel_scale_arcsec
from midwatch.tasks import Tasks

SkyMode = Literal["pixels", "fast"]
Hear = Callable[[Event], None]

_BROKER_S = 30.0
# The name of the operator's page among those that keep an account.
PAGE = "page"


@dataclass(frozen=True)
class NightOutcome:
    """What a night left."""

    night: str
    timezone: str
    folder: Path
    summary: NightSummary
    summary_path: Path
    report_path: Path
    promises_kept: bool
    interrupted: bool


def _open_journal(path: Path, clock: Clock, durable: bool) -> Journal:
    return Journal.open(path, clock, durable=durable)


@runtime_checkable
class Recalling(Protocol):
    """A listener that wants to know what happened before a night was taken up again."""

    def recall(self, events: Iterable[Event]) -> None:
        """Take it in."""


@dataclass(frozen=True)
class Stage:
    """Everything that differs between a rehearsal and a real night.

    Attributes:
        arrival_s: how long devices that were just started may take to come up.
        declared: the night as the files say; a rehearsal runs on another rig.
        tasks: keeps the watches of the daemon's process.
        supervisor: what can restart drivers; None where nothing on this machine does.
        lean: leave no report.
        measure: gives at the end what could have been had; None where that is not known.
        turned_away: says what the operator's page did not let in; None without one.
        speed: so many times as fast as the machine's runs the clock of devices in processes.
        shuffle: seed by which a rehearsal shuffles what is due at the same instant; 0: not at all.
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
    tasks: Tasks
    open_journal: Callable[[Path, Clock, bool], Journal] = _open_journal
    supervisor: Supervisor | None = None
    lean: bool = False
    turned_away: Callable[[], dict[str, int]] | None = None
    measure: Measure | None = None
    speed: float = 1.0
    shuffle: int = 0


@dataclass(frozen=True)
class RigUse:
    """What a rig is used for.

    Attributes:
        decide: what is done next.
        duties: that it needs besides the installed ones.
    """

    decide: Decide = decide
    duties: Mapping[str, Duty[Any]] = field(default_factory=dict)


NIGHT = RigUse()


async def conduct(night: Night, plan: NightPlan, stage: Stage) -> NightOutcome:
    """Run one night on a stage, from wherever its journal says that it is, to its end."""
    name = plan.evening.isoformat()
    folder = stage.data_folder / name
    make_folder(folder)
    journal = stage.open_journal(
        stage.data_folder / "journal.sqlite", stage.clock, not stage.rehearsal
    )
    try:
        journal.begin_night(name)
        history = list(journal.events())
        journal.listen(history.append)
        context = Surroundings.of(night, stage.speed).context()
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(stage.bus)
            await stage.bus.wait_connected(_BROKER_S)
            engine, of_duties = await assemble(
                stack, Beginning(night, plan, stage, journal, folder)
            )
            await _let_operators_in(stack, stage, engine, of_duties, journal)
            await engine.run()
        events = [event for event in history if event.night == name]
        if stage.lean:
            summary = take_accounts(events, folder, context, history, stage.measure).summary
        else:
            summary = write_outputs(
                folder, events, context,
                durable=not stage.rehearsal, history=history, measure=stage.measure,
            )  # fmt: skip
    finally:
        journal.close()
    return NightOutcome(
        night=name,
        timezone=night.site.timezone,
        folder=folder,
        summary=summary,
        summary_path=folder / "night.json",
        report_path=folder / "report.html",
        promises_kept=all(promise.ok is not False for promise in summary.promises),
        interrupted=False,
    )


@dataclass(frozen=True)
class _Past:
    """What a life of the daemon reads from the journal when it begins.

    Attributes:
        everything: events of all nights; `tonight` those of this one.
        life: which daemon of this night it is, from 1.
    """

    everything: list[Event]
    tonight: list[Event]
    record: NightRecord
    rig_history: RigHistory
    life: int

    @classmethod
    def read(cls, journal: Journal) -> _Past:
        everything = list(journal.events())
        tonight = [event for event in everything if event.night == journal.night]
        rig_history = RigHistory()
        for event in tonight:
            rig_history.apply(event)
        life = sum(1 for event in tonight if event.fact.kind == "night_began") + 1
        return cls(everything, tonight, NightRecord.from_events(tonight), rig_history, life)


@dataclass(frozen=True)
class Beginning:
    """What a life of the daemon begins with.

    Attributes:
        journal: already on the night.
        folder: where frames go.
        use: what the rig is used for.
    """

    night: Night
    plan: NightPlan
    stage: Stage
    journal: Journal
    folder: Path
    use: RigUse = NIGHT


async def assemble(stack: AsyncExitStack, given: Beginning) -> tuple[Engine, DutyContext]:
    """Connect everything that a night needs; the stack takes it down again in reverse order."""
    stage, past, registry = given.stage, _Past.read(given.journal), load_registry()
    given = _orders_in_force(given, past.tonight)
    rig = await _reach_rig(stack, given.night, stage, past)
    registry = replace(registry, duties={**registry.duties, **given.use.duties})
    context = _duty_context(given, past, rig, registry)
    parts = EngineParts(
        registry=registry,
        rig_history=past.rig_history,
        learned=LearnedDurations.from_events(past.everything),
        identity=_identity(given.night, given.journal.night, stage, rig),
        data_folder=stage.data_folder,
        tasks=stage.tasks,
        decide=given.use.decide,
    )
    return Engine(context, parts), context


async def _let_operators_in(
    stack: AsyncExitStack, stage: Stage, engine: Engine, context: DutyContext, journal: Journal
) -> None:
    """Have orders by hand taken, and pass what is journaled to listeners."""
    incoming = IncomingOrders(engine, context, stage.declared, _load_doable)
    desk = OperatorDesk(stage.bus, stage.topics, context, engine, incoming, stage.tasks)
    journal.listen(desk.heard)
    if stage.hear is not None:
        if isinstance(stage.hear, Recalling):
            stage.hear.recall([e for e in journal.events() if e.night == journal.night])
        journal.listen(stage.hear)
    await stack.enter_async_context(desk)
    if stage.turned_away is not None:
        engine.before_end = _with_page(engine.before_end, context, stage.turned_away)


def _duty_context(given: Beginning, past: _Past, rig: RigClient, registry: Registry) -> DutyContext:
    """Return what duties work with."""
    night, stage, journal = given.night, given.stage, given.journal
    scale = pixel_scale_arcsec(night.rig.camera.pixel_um, night.rig.optics.focal_length_mm)
    analysis, observer = FrameAnalysis(stage.measurer, scale), Observer(night.place)
    focus = focus_scale(night.rig)
    return DutyContext(
        clock=stage.clock,
        night=night,
        plan=given.plan,
        rig=rig,
        record=past.record,
        journal=journal,
        frame_taker=FrameTaker(
            rig.camera,
            stage.clock,
            analysis,
            stage.measurer,
            given.folder,
            durable=not stage.rehearsal,
            identify=_numbered(f"{journal.night}-{past.life}"),
        ),
        analysis=analysis,
        observer=observer,
        limits=night_limits(night),
        graders=registry.graders,
        lights=earlier_lights(past.record),
        focus_memory=FocusMemory(
            past.everything,
            journal.night,
            focus,
            night.rig.name,
            SizeScale.of_rig(night.rig, focus.zone_steps),
        ),
        supervisor=stage.supervisor,
    )


def night_limits(night: Night) -> LimitCheck:
    """Return what the mount must keep to under a night's sky."""
    rig = night.rig
    limits = mount_limits(rig.limits, rig.geometry, night.horizon)
    return LimitCheck(Observer(night.place), limits)


def _with_page(
    note_others: Callable[[], None], context: DutyContext, counts: Callable[[], dict[str, int]]
) -> Callable[[], None]:
    """Have the account of the operator's page journaled alongside those of the hosts."""
    since_utc_s = round(context.clock.unix_s(), 3)

    def note() -> None:
        note_others()
        context.note(
            HostAccount(
                device=PAGE, since_utc_s=since_utc_s, lease_s=0.0, counts=counts(),
                holders=(), senders=(), silences=(),
            )
        )  # fmt: skip

    return note


def _orders_in_force(given: Beginning, tonight: Sequence[Event]) -> Beginning:
    """Return the orders that were given to an earlier life, if they still hold, or those given."""
    declared = given.stage.declared
    try:
        change = orders_found(tonight, given.night, declared, given.plan, _load_doable)
    except OrdersRefusedError as error:
        notice = Notice(message=f"the orders given by hand earlier no longer hold: {error}")
        given.journal.append(notice)
        return given
    return given if change is None else replace(given, night=change.night, plan=change.plan)


def _load_doable(path: Path) -> Night:
    """Read night orders, and see that what they order can be done.

    Raises:
        InputError: with every problem.
    """
    night = load_orders(path)
    require_plugins(night)
    return night


async def _reach_rig(stack: AsyncExitStack, night: Night, stage: Stage, past: _Past) -> RigClient:
    """Return the rig's devices as seen over the bus, under a lease of our own.

    A life that did not end the night may have left its lease behind. No one else knows from the
    journal under which name it was held: the next life takes it up, instead of being refused until
    it has run out.
    """
    clock, bus, topics = stage.clock, stage.bus, stage.topics
    life, record = past.life, past.record
    # A rehearsal must be repeatable to the last identifier, and no life may reuse another's:
    # devices answer a command that they know with the answer that they gave before.
    call_seed = 1000 * stage.seed + life if stage.rehearsal else int(clock.unix_s() * 1000)
    tasks = stage.tasks
    caller = await stack.enter_async_context(Caller(bus, topics, clock, call_seed, tasks))
    former = record.began.holder if record.began is not None and record.ended is None else ""
    holder = former or f"midwatch-{call_seed}"
    lease = await stack.enter_async_context(
        LeaseHolder(bus, topics, clock, holder, night.rig.bus.lease_s, tasks)
    )
    roles = night.rig.devices.present()
    rig = RigClient(bus, topics, caller, clock, roles, night.rig.bus.heartbeat_s, lease, tasks)
    await stack.enter_async_context(rig)
    if stage.arrival_s:
        # A device process takes seconds to start; what is missing then is the engine's business.
        await rig.wait_online(stage.arrival_s)
    return rig


def _identity(night: Night, name: str, stage: Stage, rig: RigClient) -> Identity:
    return Identity(
        night=name,
        seed=stage.seed if stage.rehearsal else None,
        rehearsal=stage.rehearsal,
        sky_mode=stage.sky_mode,
        orders_sha256=night.sha256["orders"],
        version=__version__,
        holder=(rig.lease.token if rig.lease is not None else None) or "",
        shuffle=stage.shuffle,
    )


def _numbered(stem: str) -> Callable[[], str]:
    number = 0

    def identify() -> str:
        nonlocal number
        number += 1
        return f"{stem}-{number:05d}"

    return identify
