"""What a night's events add up to: the state from which the sequencer decides and resumes.

Folding is pure and incremental: the same events give the same record, whether they are applied as
they happen or read back from the journal after a crash.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from midwatch.journal.facts import (
    Activity,
    CalibrationSkipped,
    Centred,
    DecisionMade,
    Dithered,
    DutyBegan,
    DutyEnded,
    Fact,
    FaultBegan,
    FaultEnded,
    Flipped,
    FocusFollowed,
    FocusRun,
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameLost,
    FrameRead,
    FrameRegraded,
    FrameSlot,
    GuidingStarted,
    LookoutChanged,
    MotionEnded,
    NightBegan,
    NightEnded,
    OperatorSpoke,
    OrdersChanged,
    RemedyTried,
    Sample,
    SetPointChosen,
    TargetPlanned,
)
from midwatch.journal.record.record_parts import (
    FaultRecord,
    FocusMoment,
    FocusSettled,
    FrameRecord,
    FrameState,
    OrderKey,
)
from midwatch.journal.store import Event

__all__ = ["FaultRecord", "FocusMoment", "FrameRecord", "FrameState", "NightRecord"]

# Duties after which the telescope no longer points where it was centred.
_MOVING_DUTIES = ("slew", "flip")
# Ends of motion after which it does not point at anything any more: at rest, or not tracking.
_RESTING_ENDS = ("park", "tracking")
_CLOUDY_PERCENT = 50.0


@dataclass(slots=True)
class NightRecord:
    """A night so far.

    Attributes:
        began: The first taking up of the orders; `resumed` counts the later ones.
        planned: The last plan of each target; `windows` holds those of all its plans tonight,
            since a plan made again after a restart may begin at that moment.
        duty: What is being done now, with its moment.
        focus: The last good focus run; `last_focus_run` is the last one, good or not.
        focus_runs: All good focus runs, oldest first.
        verdicts: How often a light was graded, first or again.
        settled: Where the focuser was put since, by that run or by following the temperature.
        centred_target: What the telescope is centred on; None after it was moved or resumed.
        guiding: Whether guiding was started since the telescope last moved.
        lights_since_dither: Light frames read out since the last dither, flip or change of target.
        exposed_since_dither_s: Their exposures, added up.
        dithers: How often the field was dithered.
        withdrawn: Targets that new orders no longer hold.
        current_target: Target of the last frame or centring.
        set_point: What the camera is cooled to, where the cooler does not hold what was ordered.
        cloudy_at_s: Moments at which the sensor said that half of the sky or more was clouded.
        calibration_skipped: Sets of calibration frames that are not taken tonight.
    """

    began: NightBegan | None = None
    ended: NightEnded | None = None
    resumed: int = 0
    planned: dict[str, TargetPlanned] = field(default_factory=dict)
    windows: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    frames: dict[str, FrameRecord] = field(default_factory=dict)
    faults: dict[str, FaultRecord] = field(default_factory=dict)
    focus: FocusMoment | None = None
    last_focus_run: FocusMoment | None = None
    focus_runs: list[FocusMoment] = field(default_factory=list)
    verdicts: int = 0
    settled: FocusSettled | None = None
    centred_target: str | None = None
    current_target: str | None = None
    guiding: bool = False
    lights_since_dither: int = 0
    exposed_since_dither_s: float = 0.0
    dithers: int = 0
    flips: list[tuple[float, Flipped]] = field(default_factory=list)
    activity: Activity | None = None
    activity_since_utc_s: float | None = None
    duty: tuple[float, DutyBegan] | None = None
    durations: dict[str, list[float]] = field(default_factory=dict)
    lookouts: dict[str, tuple[float, LookoutChanged]] = field(default_factory=dict)
    sample: tuple[float, Sample] | None = None
    cloudy_at_s: list[float] = field(default_factory=list)
    decisions: int = 0
    paused: bool = False
    closing: bool = False
    skipped: list[str] = field(default_factory=list)
    set_point: SetPointChosen | None = None
    calibration_skipped: list[CalibrationSkipped] = field(default_factory=list)
    withdrawn: list[str] = field(default_factory=list)
    _slots: dict[str, tuple[FrameSlot, ...]] = field(default_factory=dict)
    _accepted: dict[OrderKey, int] = field(default_factory=dict)
    _pending: dict[OrderKey, int] = field(default_factory=dict)

    @classmethod
    def from_events(cls, events: Iterable[Event]) -> NightRecord:
        """Fold all events of a night."""
        record = cls()
        for event in events:
            record.apply(event)
        return record

    def apply(self, event: Event) -> None:
        """Take in the next event. Kinds that change nothing here are passed over."""
        fold = _FOLDS.get(event.fact.kind)
        if fold is not None:
            fold(self, event.at_utc_s, event.fact)

    def accepted(self, target: str, order_index: int) -> int:
        """Return how many frames of an order count: accepted, not those rejected later."""
        return self._accepted.get((target, order_index), 0)

    def pending(self, target: str, order_index: int) -> int:
        """Return how many frames of an order have neither verdict nor loss yet."""
        return self._pending.get((target, order_index), 0)

    def unfiled(self) -> list[FrameRecord]:
        """Return the exposures that were commanded and neither filed nor given up, oldest first."""
        return [f for f in self.frames.values() if f.filed is None and f.lost is None]

    def open_faults(self) -> list[FaultRecord]:
        """Return the faults that are open, oldest first."""
        return [fault for fault in self.faults.values() if fault.open]

    @property
    def last_flip(self) -> tuple[float, Flipped] | None:
        """The last meridian flip, done or failed, with its moment."""
        return self.flips[-1] if self.flips else None

    # Folds -----------------------------------------------------------------------------------

    def _night_began(self, _at: float, fact: NightBegan) -> None:
        if self.began is None:
            self.began = fact
        else:
            if self.ended is not None:
                # What people ordered was for the night that has ended.
                self.closing = self.paused = False
                self.calibration_skipped.clear()
            self.resumed += 1
            self.duty = None
            self._moved()
        self.ended = None

    def _night_ended(self, _at: float, fact: NightEnded) -> None:
        self.ended = fact

    def _target_planned(self, _at: float, fact: TargetPlanned) -> None:
        self.planned[fact.target] = fact
        known = self.windows.setdefault(fact.target, [])
        known += [window for window in fact.windows_utc_s if window not in known]

    def _activity(self, at: float, fact: Activity) -> None:
        self.activity, self.activity_since_utc_s = fact, at

    def _decision(self, _at: float, _fact: DecisionMade) -> None:
        self.decisions += 1

    def _duty_began(self, at: float, fact: DutyBegan) -> None:
        self.duty = (at, fact)
        if fact.duty in _MOVING_DUTIES:
            self._moved()

    def _duty_ended(self, _at: float, fact: DutyEnded) -> None:
        if self.duty is not None and self.duty[1].duty == fact.duty:
            self.duty = None
        if fact.outcome == "done":
            self.durations.setdefault(fact.duty, []).append(fact.took_s)

    def _motion_ended(self, _at: float, fact: MotionEnded) -> None:
        if fact.what in _RESTING_ENDS:
            self._moved()

    def _moved(self) -> None:
        self.centred_target = None
        self.guiding = False

    def _frame_begun(self, at: float, fact: FrameBegun) -> None:
        if fact.exposure_id in self.frames:
            return  # an exposure is commanded once; a repeat must not wipe what is known of it
        frame = FrameRecord(at, fact)
        self._number(frame)
        self.frames[fact.exposure_id] = frame
        self._count(frame, 1)
        if frame.is_light and fact.target is not None:
            self._turn_to(fact.target)

    def _turn_to(self, target: str) -> None:
        if target != self.current_target:
            self._field_changed()
        self.current_target = target

    def _frame_fact(
        self, _at: float, fact: FrameRead | FrameFiled | FrameGraded | FrameLost
    ) -> None:
        frame = self.frames.get(fact.exposure_id)
        if frame is None:
            return  # begun in another night: the promises report it, no order counts it
        self._count(frame, -1)
        if isinstance(fact, FrameRead):
            if frame.is_light and frame.read is None:
                self.lights_since_dither += 1
                self.exposed_since_dither_s += fact.exposure_s
            frame.read = fact
        elif isinstance(fact, FrameFiled):
            frame.filed = fact
        elif isinstance(fact, FrameGraded):
            frame.graded = fact
            self.verdicts += 1
        else:
            frame.lost = fact
        self._count(frame, 1)

    def _frame_regraded(self, _at: float, fact: FrameRegraded) -> None:
        frame = self.frames.get(fact.exposure_id)
        if frame is None or frame.graded is None:
            return
        self._count(frame, -1)
        frame.first_grade = frame.first_grade or frame.graded.grade
        if fact.path is not None and frame.filed is not None:
            frame.filed = frame.filed.model_copy(update={"path": fact.path})
        frame.graded = frame.graded.model_copy(
            update=fact.model_dump(include={"grade", "reasons", "compared", "star_share"})
        )
        self.verdicts += 1
        self._count(frame, 1)

    def _orders_changed(self, _at: float, fact: OrdersChanged) -> None:
        self._slots.update(fact.slots)
        gone = [*self.withdrawn, *(name for name in fact.removed if name not in self.withdrawn)]
        self.withdrawn = [name for name in gone if name not in fact.added]
        self._accepted.clear()
        self._pending.clear()
        for frame in self.frames.values():
            self._number(frame)
            self._count(frame, 1)

    def _number(self, frame: FrameRecord) -> None:
        """Find the frame order that a light serves after the orders were changed: by its kind."""
        begun = frame.begun
        slots = self._slots.get(begun.target or "")
        if slots is None or not frame.is_light:
            return
        frame.order_index = None
        for index, slot in enumerate(slots):
            asked = (slot.filter, slot.exposure_s, slot.gain, slot.offset, slot.binning)
            if asked == (begun.filter, begun.exposure_s, begun.gain, begun.offset, begun.binning):
                key = (begun.target or "", index)
                frame.order_index = index
                if self._accepted.get(key, 0) + self._pending.get(key, 0) < slot.wanted:
                    return

    def _count(self, frame: FrameRecord, by: int) -> None:
        key = frame.order_key
        if key is None or not frame.is_light:
            return
        if frame.counts:
            self._accepted[key] = self._accepted.get(key, 0) + by
        if frame.pending:
            self._pending[key] = self._pending.get(key, 0) + by

    def _focus_run(self, at: float, fact: FocusRun) -> None:
        self.last_focus_run = FocusMoment(at, fact, self.settled)
        if fact.ok:
            self.focus = self.last_focus_run
            self.focus_runs.append(self.last_focus_run)
            if fact.best_position is not None:
                self.settled = FocusSettled(fact.best_position, fact.temperature_c, fact.filter)

    def _focus_followed(self, _at: float, fact: FocusFollowed) -> None:
        self.settled = FocusSettled(fact.position, fact.temperature_c, fact.filter)

    def _centred(self, _at: float, fact: Centred) -> None:
        self._turn_to(fact.target)
        self.centred_target = fact.target if fact.ok else None

    def _flipped(self, at: float, fact: Flipped) -> None:
        self.flips.append((at, fact))
        self._moved()
        self._field_changed()

    def _dithered(self, _at: float, _fact: Dithered) -> None:
        self.dithers += 1
        self._field_changed()

    def _field_changed(self) -> None:
        self.lights_since_dither, self.exposed_since_dither_s = 0, 0.0

    def _guiding_started(self, _at: float, fact: GuidingStarted) -> None:
        self.guiding = fact.ok

    def _sample(self, at: float, fact: Sample) -> None:
        self.sample = (at, fact)
        if fact.cloud_percent is not None and fact.cloud_percent >= _CLOUDY_PERCENT:
            self.cloudy_at_s.append(at)

    def _lookout(self, at: float, fact: LookoutChanged) -> None:
        self.lookouts[fact.lookout] = (at, fact)

    def _fault_began(self, at: float, fact: FaultBegan) -> None:
        self.faults.setdefault(fact.fault_id, FaultRecord(at, fact))

    def _remedy_tried(self, at: float, fact: RemedyTried) -> None:
        fault = self.faults.get(fact.fault_id)
        if fault is not None:
            fault.remedies.append((at, fact))

    def _fault_ended(self, at: float, fact: FaultEnded) -> None:
        fault = self.faults.get(fact.fault_id)
        if fault is not None and fault.open:
            fault.ended_at_utc_s, fault.ended = at, fact

    def _set_point(self, _at: float, fact: SetPointChosen) -> None:
        self.set_point = fact

    def _calibration_skipped(self, _at: float, fact: CalibrationSkipped) -> None:
        self.calibration_skipped.append(fact)

    def _operator(self, _at: float, fact: OperatorSpoke) -> None:
        if fact.command in ("pause", "resume"):
            self.paused = fact.command == "pause"
        elif fact.command == "close":
            self.closing = True
        elif fact.command == "skip":
            target = fact.target or self.current_target
            if target is not None and target not in self.skipped:
                self.skipped.append(target)


_FOLDS: dict[str, Callable[[NightRecord, float, Fact], None]] = {
    kind.kind: fold  # type: ignore[misc]
    for kind, fold in (
        (NightBegan, NightRecord._night_began),
        (NightEnded, NightRecord._night_ended),
        (TargetPlanned, NightRecord._target_planned),
        (Activity, NightRecord._activity),
        (DecisionMade, NightRecord._decision),
        (DutyBegan, NightRecord._duty_began),
        (DutyEnded, NightRecord._duty_ended),
        (MotionEnded, NightRecord._motion_ended),
        (FrameBegun, NightRecord._frame_begun),
        (FrameRead, NightRecord._frame_fact),
        (FrameFiled, NightRecord._frame_fact),
        (FrameGraded, NightRecord._frame_fact),
        (FrameRegraded, NightRecord._frame_regraded),
        (FrameLost, NightRecord._frame_fact),
        (FocusRun, NightRecord._focus_run),
        (FocusFollowed, NightRecord._focus_followed),
        (Centred, NightRecord._centred),
        (Flipped, NightRecord._flipped),
        (Dithered, NightRecord._dithered),
        (GuidingStarted, NightRecord._guiding_started),
        (Sample, NightRecord._sample),
        (LookoutChanged, NightRecord._lookout),
        (FaultBegan, NightRecord._fault_began),
        (RemedyTried, NightRecord._remedy_tried),
        (FaultEnded, NightRecord._fault_ended),
        (OperatorSpoke, NightRecord._operator),
        (OrdersChanged, NightRecord._orders_changed),
        (SetPointChosen, NightRecord._set_point),
        (CalibrationSkipped, NightRecord._calibration_skipped),
    )
}
