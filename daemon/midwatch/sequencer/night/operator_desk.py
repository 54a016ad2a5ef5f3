"""Takes orders by hand over the bus, and reports on the bus what the night is doing."""

from __future__ import annotations

import asyncio
from collections import deque
from datetime import UTC, datetime
from typing import Literal

import structlog
from pydantic import BaseModel, ConfigDict, Field, JsonValue

from midwatch.bus import (
    Bus,
    BusUnavailableError,
    CommandError,
    ErrorKind,
    EventEnvelope,
    Request,
    Responder,
    Topics,
    encode,
)
from midwatch.devices.client import LeaseHolder
from midwatch.devices.contract import HostReport
from midwatch.instants import instant
from midwatch.journal.facts import (
    Activity,
    Centred,
    DecisionMade,
    Fact,
    FaultBegan,
    FaultEnded,
    Flipped,
    FocusRun,
    FrameGraded,
    FrameLost,
    FrameRegraded,
    GuidingStarted,
    HostAccount,
    LeaseUnheard,
    LimitHeld,
    LookoutChanged,
    NightBegan,
    NightEnded,
    Notice,
    OperatorSpoke,
    OrdersChanged,
    RemedyTried,
    Silence,
)
from midwatch.journal.record import FaultRecord, lights_so_far
from midwatch.journal.store import Event
from midwatch.orders.reading import Night
from midwatch.sequencer.duties import DutyContext
from midwatch.sequencer.night.changed_orders import Documents, Load, OrdersRefusedError, prepare
from midwatch.sequencer.night.engine import Engine
from midwatch.tasks import Tasks, end

_log = structlog.get_logger(__name__)

# The name under which the daemon takes orders, next to the devices.
DAEMON = "daemon"
# Events, besides decisions, that change the bulletin.
_SHOWN = (Activity, FaultBegan, FaultEnded, FrameGraded, FrameRegraded, OperatorSpoke,
         OrdersChanged)  # fmt: skip
# Facts that are published under ``night/event/<kind>`` as they happen, once, for all listeners.
BULLETIN_EVENTS: tuple[type[Fact], ...] = (
    NightBegan, NightEnded, FocusRun, Centred, Flipped, GuidingStarted, FrameGraded, FrameRegraded,
    FrameLost, LookoutChanged, FaultBegan, RemedyTried, FaultEnded, OperatorSpoke, LimitHeld,
    Notice, OrdersChanged,
)  # fmt: skip
# Events that wait while the bus is away; the oldest go first, the journal holds them all.
_WAITING = 256
# After a silence of the bus its hosts are given so long to report what they did in it.
_EVIDENCE_S = 30.0
_COMMANDS = ("pause", "resume", "skip", "close", "change")
# A notice of refused orders is cut off here; their sender gets all that fits an answer.
_LONGEST_NOTICE = 4000


class OperatorArgs(BaseModel):
    """Arguments of every order by hand; ``target`` is for skip, None means the present one."""

    model_config = ConfigDict(extra="forbid")

    who: str = Field(min_length=1, max_length=200)
    why: str | None = Field(default=None, max_length=2000)
    target: str | None = Field(default=None, max_length=200)


class ChangeArgs(BaseModel):
    """Arguments of ``change``: new night orders, as the text of all their files."""

    model_config = ConfigDict(extra="forbid")

    who: str = Field(min_length=1, max_length=200)
    why: str | None = Field(default=None, max_length=2000)
    documents: Documents


class IncomingOrders:
    """Takes new night orders in, or refuses them.

    Args:
        engine: of the night.
        context: of its duties, which knows the orders in force.
        declared: the night as the files say with which the daemon was started.
        load: reads night orders.
    """

    def __init__(self, engine: Engine, context: DutyContext, declared: Night, load: Load) -> None:
        self._engine = engine
        self._context = context
        self._declared = declared
        self._load = load

    def take(self, args: ChangeArgs) -> dict[str, JsonValue]:
        """Have the night go by new orders; returns what that changes.

        Raises:
            CommandError: they cannot hold; the night goes on by the old ones.
        """
        if self._engine.orders_given is not None:
            raise CommandError(ErrorKind.BUSY, "other orders are just being taken up", True)
        night, plan, who = self._context.night, self._engine.plan, (args.who, args.why)
        try:
            change = prepare(args.documents, night, self._declared, plan, self._load, who)
        except OrdersRefusedError as error:
            text = f"{args.who} gave orders that cannot hold; the old ones go on: {error}"
            self._context.note(Notice(message=text[:_LONGEST_NOTICE]))
            raise CommandError(ErrorKind.BAD_ARGS, str(error)) from None
        self._engine.change(change)
        notes: dict[str, JsonValue] = {
            target.target.name: target.note for target in change.plan.targets if target.note
        }
        return {
            "added": list(change.fact.added),
            "removed": list(change.fact.removed),
            "changed": list(change.fact.changed),
            "not_tonight": notes,
        }


class NightState(BaseModel):
    """What the daemon is doing, retained under ``night/state``.

    Attributes:
        open_faults: their numbers in the journal.
        troubles: the same in words, with their beginnings.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    at: datetime
    night: str
    phase: Literal["running", "ended"]
    activity: str
    duty: str
    args: dict[str, JsonValue]
    reason: str
    target: str | None
    lights_accepted: int
    lights_wanted: int
    paused: bool
    closing: bool
    open_faults: tuple[str, ...]
    troubles: tuple[str, ...] = ()
    dusk: datetime
    dawn: datetime


class OperatorDesk:
    """The daemon's own place on the bus.

    Use as an async context manager inside that of the bus; the engine must listen already.
    `tasks` keeps its tasks.
    """

    def __init__(
        self,
        bus: Bus,
        topics: Topics,
        context: DutyContext,
        engine: Engine,
        incoming: IncomingOrders,
        tasks: Tasks,
    ) -> None:
        clock = context.clock
        self._bus = bus
        self._topics = topics
        self._clock = clock
        self._engine = engine
        self._incoming = incoming
        self._context = context
        self._since_utc_s = round(clock.unix_s(), 3)
        self._responder = Responder(bus, topics, DAEMON, clock, self._order)
        self._dirty = asyncio.Event()
        self._decision: DecisionMade | None = None
        self._ended = False
        self._events: deque[tuple[str, bytes]] = deque(maxlen=_WAITING)
        self._tasks = tasks
        self._running: list[asyncio.Task[None]] = []
        bus.on_connect(self._publish)
        engine.before_end = self._note_all
        self._lease = context.rig.lease
        if isinstance(self._lease, LeaseHolder):
            self._lease.heard_again = self._note_silence

    async def __aenter__(self) -> OperatorDesk:
        self._running = [
            self._tasks.keep("orders by hand", self._responder.run),
            self._tasks.keep("night bulletin", self._inform, "go_on"),
        ]
        return self

    async def __aexit__(self, *_: object) -> None:
        await end(*self._running, reason="the night is over")
        await self._publish()

    def heard(self, event: Event) -> None:
        """Take in a journal event that the bulletin may have to show or that is published."""
        if isinstance(event.fact, BULLETIN_EVENTS):
            self._events.append((self._topics.night_event(event.fact.kind), _published(event)))
            self._dirty.set()
        if isinstance(event.fact, DecisionMade):
            self._decision = event.fact
        elif isinstance(event.fact, NightEnded):
            self._ended = True
        elif not isinstance(event.fact, _SHOWN):
            return
        self._dirty.set()

    def _note_silence(self, unheard_s: float) -> None:
        """Journal that no host received the lease, and soon what the hosts did meanwhile."""
        self._note_unheard(unheard_s)
        self._running.append(self._tasks.finish("evidence of a silence", self._hear_evidence))

    async def _hear_evidence(self) -> None:
        await self._clock.sleep(_EVIDENCE_S)
        self._note_hosts()

    def _note_unheard(self, unheard_s: float) -> None:
        now_s = self._clock.unix_s()
        from_s = round(now_s - unheard_s, 3)
        self._context.note(LeaseUnheard(from_utc_s=from_s, until_utc_s=round(now_s, 3)))

    def _note_all(self) -> None:
        """Journal what the hosts, and this desk, report of their traffic."""
        if isinstance(self._lease, LeaseHolder) and self._lease.unheard_s > self._lease.ttl_s:
            self._note_unheard(self._lease.unheard_s)
        self._note_hosts()
        self._note_own()

    def _note_hosts(self) -> None:
        for role, device in self._context.rig.devices.items():
            # A driver that was started again cannot know what its last life sat out.
            for report in device.take_earlier_accounts():
                self._context.note(_account(role, report))
            unknown = HostReport(since_utc_s=self._since_utc_s, lease_s=0.0)
            reported = device.account is not None
            self._context.note(_account(role, device.account or unknown, reported))

    def _note_own(self) -> None:
        rig = self._context.rig
        counts = self._responder.counters.turned_away()
        if rig.malformed:
            counts["devices_malformed"] = rig.malformed
        self._context.note(
            HostAccount(
                device=DAEMON, since_utc_s=self._since_utc_s, lease_s=0.0, counts=counts,
                holders=(), senders=(), silences=(),
            )
        )  # fmt: skip

    async def _order(self, command: str, request: Request) -> dict[str, JsonValue] | None:
        if command not in _COMMANDS:
            raise CommandError(
                ErrorKind.UNKNOWN_COMMAND, f"{command}: the daemon takes {', '.join(_COMMANDS)}"
            )
        if command == "change":
            return self._incoming.take(ChangeArgs.model_validate(request.args))
        args = OperatorArgs.model_validate(request.args)
        names = [target.target.name for target in self._engine.plan.targets]
        if args.target is not None and args.target not in names:
            raise CommandError(
                ErrorKind.BAD_ARGS, f"no target {args.target!r} tonight; there are {names}"
            )
        self._engine.operator(command, args.who, args.why, args.target)
        return {"taken": command}

    async def _inform(self) -> None:
        while True:
            await self._dirty.wait()
            self._dirty.clear()
            await self._publish()

    async def _publish(self) -> None:
        while self._events and self._bus.connected:
            topic, payload = self._events.popleft()
            try:
                await self._bus.publish(topic, payload)
            except BusUnavailableError:
                self._events.appendleft((topic, payload))
                return
        if self._decision is None:
            return
        state = self._state(self._decision)
        try:
            await self._bus.publish(
                self._topics.night_state, state.model_dump_json().encode(), retain=True
            )
            await self._bus.publish(
                self._topics.night_decision, self._decision.model_dump_json().encode(), retain=True
            )
        except BusUnavailableError:
            _log.warning("bulletin_not_published")

    def _state(self, decision: DecisionMade) -> NightState:
        record, plan = self._engine.record, self._engine.plan
        began = record.began
        target = decision.args.get("target")
        counted, wanted = lights_so_far(record)
        return NightState(
            at=self._clock.now(),
            night=began.night if began else "",
            phase="ended" if self._ended else "running",
            activity=record.activity.cause if record.activity else "not_started",
            duty=decision.duty,
            args=decision.args,
            reason=decision.reason,
            target=str(target) if target else record.current_target,
            lights_accepted=counted,
            lights_wanted=wanted,
            paused=record.paused,
            closing=record.closing,
            open_faults=tuple(f.began.fault_id for f in record.open_faults()),
            troubles=tuple(map(_trouble, record.open_faults())),
            dusk=datetime.fromtimestamp(plan.dusk_s, self._clock.now().tzinfo),
            dawn=datetime.fromtimestamp(plan.dawn_s, self._clock.now().tzinfo),
        )


def _trouble(fault: FaultRecord) -> str:
    """Say what is wrong, and since when."""
    name = fault.began.device.replace("_", " ")
    return f"{name}, since {instant(fault.began_at_utc_s)}: {fault.began.message}"


def _published(event: Event) -> bytes:
    """Write an event of the journal as it travels; its number is the journal's."""
    at = datetime.fromtimestamp(event.at_utc_s, UTC)
    # The texts of orders are in the journal: they do not have to travel to the listeners.
    facts = event.fact.model_dump(mode="json", exclude={"files", "slots"})
    return encode(EventEnvelope(seq=event.seq, at=at, facts=facts))


def _account(role: str, report: HostReport, reported: bool = True) -> HostAccount:
    silences = tuple(Silence(*times) for times in report.silences)
    facts = {**report.model_dump(exclude={"silences"}), "silences": silences}
    return HostAccount(device=role, told=reported, **facts)
