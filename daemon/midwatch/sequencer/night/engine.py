"""Performs what `decide` chooses: the imperative shell around the pure core.

One loop: build the world, decide, journal, perform, journal the outcome, decide again. One way of
interruption: the running duty is cancelled with a reason and the devices are brought to a stop in
a fixed order. No state lives only in here; the record is folded from the journal.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog

from midwatch.errors import MakeSafeError, MidwatchError, SkipTargetError, StopError
from midwatch.journal.facts import (
    DecisionMade,
    DutyBegan,
    DutyEnded,
    FrameRead,
    Notice,
    OperatorSpoke,
    Outcome,
)
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.learning import FRAME_OVERHEAD
from midwatch.sequencer.decision import (
    Decision,
    EndNightArgs,
    EngineWord,
    World,
    preempt,
)
from midwatch.sequencer.duties import DutyContext, motion_ended
from midwatch.sequencer.facts import (
    FocusWatch,
    LimitForecast,
    LookoutGuards,
    SafetyWatch,
    WorldView,
    weather_age_s,
    with_rig_defaults,
)
from midwatch.sequencer.faults import AvailableRemedies
from midwatch.sequencer.night.changed_orders import Change, take_up
from midwatch.sequencer.night.device_changes import watch_devices
from midwatch.sequencer.night.engine_parts import EngineParts
from midwatch.sequencer.night.interruption import interrupt
from midwatch.sequencer.night.night_events import (
    Sampler,
    beginning,
    ending,
    free_gb,
    unmatched,
)
from midwatch.sequencer.watches import FaultDesk, Remedying, TaskWatch, Watches, said
from midwatch.tasks import end, start

_log = structlog.get_logger(__name__)

# Lookouts are read and the running duty is questioned at least this often, seconds.
WATCH_S = 60.0
# Decisions without time passing before the engine suspects a circle and pauses.
_HASTE = 40
# Then it does nothing for so long, whatever the fault's ladder says.
_CIRCLE_S = 5.0
# Facts that come often and change nothing that a world derives from the record.
_SLOW_FACTS = frozenset({"sample", "activity", "decision", "lookout", "notice"})
# Facts that leave frames and faults as they are.
_MOTION_FACTS = frozenset({"duty_began", "duty_ended", "motion_ended"})


class Engine:
    """One night of one rig.

    Args:
        context: what duties get; its journal is already on this night.
        parts: the rest.
    """

    def __init__(self, context: DutyContext, parts: EngineParts) -> None:
        clock, night, plan = context.clock, context.night, context.plan
        rig, journal, record = context.rig, context.journal, context.record
        registry, rig_history, tasks = parts.registry, parts.rig_history, parts.tasks
        learned = parts.learned
        self._clock = clock
        self._tasks = tasks
        self.plan = plan
        self._rig = rig
        self._journal = journal
        self.record = record
        self._context = context
        self._decide = parts.decide
        self._registry = registry
        self._identity = parts.identity
        self._data_folder = parts.data_folder
        self._wake_up = asyncio.Event()
        self._reported: Decision | None = None
        self.orders_given: Change | None = None
        # Writes what is still to be journaled at the end of the night.
        self.before_end: Callable[[], None] = lambda: None
        self.decision: Decision | None = None
        orders = with_rig_defaults(night.orders.standing_orders, night.rig.focus)
        self._desk = LookoutGuards(orders, registry.lookouts, registry.duties)
        before = record.activity
        self._safety = SafetyWatch(
            night.site.safety,
            rig.weather is not None,
            troubled=before is not None and before.cause == "unsafe",
            note=journal.append,
        )
        supervised = () if context.supervisor is None else context.supervisor.roles
        available = AvailableRemedies(
            rig, night.rig.remedies, supervised, night.rig.camera.cool_to_c is not None
        )
        focus = FocusWatch(night, record, context.focus_memory)
        self._view = WorldView(
            night,
            plan,
            rig,
            record,
            rig_history,
            LimitForecast(context.limits),
            learned,
            focus,
            available,
        )
        self._rig_history = rig_history
        self._faults = FaultDesk(rig, record, journal, clock, lambda: motion_ended(context, "park"))
        self._remedying = Remedying(context, registry, self._faults, self.reconsider)
        self._watches = Watches(context, rig_history, self._faults)
        self._deaths = TaskWatch(tasks, rig, record, self._faults, self._close_for, self.reconsider)
        self._performing: Decision | None = None
        self._began_s = round(clock.unix_s(), 3)

    # The night ------------------------------------------------------------------------------

    async def run(self) -> NightRecord:
        """Run until the rig is closed up at the end of the night, and return the record."""
        self._journal.listen(self._heard)
        resumed = self.record.began is not None
        for fact in beginning(self._identity, self.plan, self._context.night, resumed=resumed):
            self._journal.append(fact)
        side_tasks = (
            self._tasks.keep("night watch", self._watch),
            self._tasks.keep("remedies", self._remedying.run),
        )
        forget = (self._deaths.begin(), watch_devices(self._rig, self.reconsider))
        supervisor = self._context.supervisor
        if supervisor is not None:
            supervisor.inform = self._driver_changed
        try:
            await self._loop()
        finally:
            if supervisor is not None:
                supervisor.inform = lambda _role, _message: None
            for each in forget:
                each()
            await end(*side_tasks, reason="the night has ended")
        how = self.decision.reason if self.decision else ""
        self.before_end()
        for fact in unmatched(self._context.night, self.record, how):
            self._journal.append(fact)
        self._journal.append(ending(self._rig, self._view.mount(), how))
        return self.record

    def reconsider(self) -> None:
        """Have the running duty questioned at once."""
        self._wake_up.set()

    def operator(self, command: str, who: str, why: str | None, target: str | None) -> None:
        """Take an order by hand: pause, resume, skip or close."""
        self._journal.append(OperatorSpoke(command=command, who=who, why=why, target=target))
        self.reconsider()

    def _close_for(self, reason: str) -> None:
        self.operator("close", "midwatch", reason, None)

    def change(self, change: Change) -> None:
        """Take new orders; they hold from the next world on."""
        self._journal.append(change.fact)
        self.orders_given = change
        self.reconsider()

    def world(self) -> World:
        """Return the world as it is now, with guards and faults brought up to date.

        Raises:
            TaskLostError: there is no way to the devices any more.
        """
        self._deaths.look(self._worked_at())
        if self.orders_given is not None:
            # Only here, so that no duty finds its target gone before it is asked to end.
            self.plan = self.orders_given.plan
            self._desk = take_up(
                self.orders_given, self._context, self._view, self._registry, self._desk
            )
            self.orders_given = None
        now_s = self._clock.unix_s()
        if self._rig_history.connected:
            self._watches.glance(self._worked_at())
        weather = self._rig.weather
        safety = self._safety.update(
            weather.state if weather is not None and not weather.down else None,
            weather_age_s(self._rig, now_s),
            now_s,
        )
        gigabytes = free_gb(self._data_folder, rehearsal=self._identity.rehearsal)
        self._desk.update(self._view.view(now_s, gigabytes), self._journal.append)
        world = self._view.build(
            now_s, safety, self._desk.due(), self._desk.pressing("focus"), self._remedying.busy
        )
        running = self._performing
        in_hand = running is not None and running.rule == "faults"
        self._remedying.offer(world.faults, working=running is not None and not in_hand)
        return world

    def _worked_at(self) -> tuple[str, ...]:
        """Return the devices that a remedy has in its hands."""
        running = self._performing
        if running is None or running.rule != "faults":
            return self._remedying.busy
        return (*self._remedying.busy, str(running.device))

    def _driver_changed(self, role: str, message: str) -> None:
        """Take in what the supervisor of the drivers says."""
        self._journal.append(Notice(message=message))
        _log.info("driver_reported", device=role, message=message)

    def _heard(self, event: Event) -> None:
        self.record.apply(event)
        self._rig_history.apply(event)
        self._context.focus_memory.hear(event)
        if event.fact.kind in _MOTION_FACTS:
            self._view.forget_blur()
        elif event.fact.kind not in _SLOW_FACTS:
            self._view.forget()
        if isinstance(event.fact, DutyEnded) and event.fact.outcome == "done":
            self._view.learn(event.fact.duty, event.fact.took_s)
        elif isinstance(event.fact, FrameRead):
            frame = self.record.frames.get(event.fact.exposure_id)
            # A frame that an earlier daemon began has waited in the spool since.
            if frame is not None and frame.begun_at_utc_s >= self._began_s:
                took_s = event.at_utc_s - frame.begun_at_utc_s - frame.begun.exposure_s
                self._view.learn(FRAME_OVERHEAD, max(took_s, 0.0))

    # Deciding and performing ------------------------------------------------------------------

    async def _loop(self) -> None:
        last_s, haste = -1.0, 0
        while True:
            self._wake_up.clear()
            world = self.world()
            self.decision = decision = self._decide(world)
            self._report(decision)
            if decision.duty == "finish":
                return
            haste = haste + 1 if world.now_s - last_s < 0.5 else 0
            last_s = world.now_s
            if haste > _HASTE:
                haste = 0
                _log.error("decisions_in_a_circle", duty=decision.duty, reason=decision.reason)
                self._faults.circled(decision)
                await self._clock.sleep(_CIRCLE_S)
            elif decision.duty == "wait" and decision.rule != "faults":
                await self._wait(decision)
            else:
                await self._perform(decision)

    def _report(self, decision: Decision) -> None:
        """Journal a decision, unless it only says again what is being waited for."""
        if decision.duty == "wait" and decision.same_as(self._reported):
            return
        self._reported = decision
        self._journal.append(
            DecisionMade(
                duty=decision.duty,
                args=decision.journaled_args(),
                rule=decision.rule,
                reason=decision.reason,
                ruled_out=decision.ruled_out,
            )
        )

    async def _wait(self, decision: Decision) -> None:
        self._context.activity(decision.cause or "deciding")
        while True:
            left_s = None
            if decision.until_s is not None:
                left_s = decision.until_s - self._clock.unix_s()
                if left_s <= 0:
                    return
            if self._deaths.blind:
                # Nothing else may look any more, and wake the engine.
                left_s = WATCH_S if left_s is None else min(left_s, WATCH_S)
            try:
                async with self._clock.timeout(left_s):
                    await self._wake_up.wait()
            except TimeoutError:
                return
            self._wake_up.clear()
            world = self.world()
            if preempt(world, decision, self._decide) is not None:
                return
            # It still waits for the same, but perhaps no longer as long.
            decision = self._decide(world)

    async def _perform(self, decision: Decision) -> None:
        if isinstance(decision.args, EngineWord):
            if isinstance(decision.args, EndNightArgs):
                self._close_for(decision.reason)
            self._faults.tried(str(decision.fault_id), decision.duty, "done")
            return
        self._performing = decision
        try:
            await self._do(decision)
        finally:
            self._performing = None

    async def _do(self, decision: Decision) -> None:
        duty = self._registry.duty_for(decision.duty, decision.args)
        self._journal.append(DutyBegan(duty=decision.duty, args=decision.journaled_args()))
        ordered = decision.cause == "standing_order" and duty.cause == "deciding"
        self._context.activity("standing_order" if ordered else duty.cause, decision.duty)
        began_s = self._clock.mono()
        task = start(f"duty {decision.duty}", duty.perform(self._context, decision.args))
        try:
            urgent = await self._attend(task, decision)
        except BaseException as ending:
            ended = isinstance(ending, asyncio.CancelledError)
            await self._interrupt(task, "the daemon is shutting down" if ended else said(ending))
            raise
        outcome: Outcome
        error: str | None
        if urgent is not None:
            await self._interrupt(task, urgent.reason)
            outcome, error = "cancelled", urgent.reason
        else:
            failure = task.exception()
            outcome = "done" if failure is None else "failed"
            error = None if failure is None else said(failure)
            if failure is not None and not isinstance(failure, MidwatchError):
                _log.error("duty_crashed", duty=decision.duty, exc_info=failure)
        took_s = self._clock.mono() - began_s
        self._journal.append(
            DutyEnded(duty=decision.duty, outcome=outcome, reason=error, took_s=took_s)
        )
        self._context.activity("deciding")
        if outcome == "failed":
            await self._interrupt(task, error or "failed")
        if decision.rule == "faults":
            self._faults.tried(str(decision.fault_id), decision.duty, outcome, error)
        elif outcome == "failed":
            self._failed(decision, task.exception())
        if outcome == "done":
            self._desk.done(decision.duty)
            self._faults.succeeded(decision)

    async def _attend(self, task: asyncio.Task[None], decision: Decision) -> Decision | None:
        """Wait for a duty; return the decision that must interrupt it, if one comes first."""
        while True:
            reconsider = start("stirred", self._wake_up.wait())
            try:
                await asyncio.wait({task, reconsider}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                reconsider.cancel()
            if task.done():
                return None
            if reconsider.done():
                reconsider.result()
            self._wake_up.clear()
            urgent = preempt(self.world(), decision, self._decide)
            if urgent is not None:
                return urgent

    async def _interrupt(self, task: asyncio.Task[None], reason: str) -> None:
        await interrupt(task, reason, self._rig, self._clock)

    def _failed(self, decision: Decision, failure: BaseException | None) -> None:
        message = self._faults.failed(decision, failure)
        if isinstance(failure, (MakeSafeError, StopError)):
            self._close_for(message)
        if isinstance(failure, SkipTargetError) and decision.target is not None:
            self.operator("skip", "midwatch", message, decision.target)

    # Watching -----------------------------------------------------------------------------------

    async def _watch(self) -> None:
        sampler = Sampler(self._rig)
        while True:
            curves = sampler.take(self._clock.mono(), self._view.mount())
            if curves is not None:
                self._journal.append(curves)
            await self._clock.sleep(WATCH_S)
            if self._rig_history.connected:
                self._watches.look()
            self.reconsider()
