"""Looks at a night through its journal, as any outsider may: reading, never writing."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field, replace
from pathlib import Path

from midwatch.errors import MidwatchError
from midwatch.interface.console import duty_text
from midwatch.interface.page.page_facts import (
    Choice,
    FaultLine,
    Glance,
    Hours,
    LastFrame,
    Phase,
    Spoken,
    TargetLine,
)
from midwatch.journal.facts import (
    Activity,
    DecisionMade,
    FrameBegun,
    FrameRead,
    NightBegan,
    NightEnded,
    Notice,
    OperatorSpoke,
    OrdersChanged,
)
from midwatch.journal.record import (
    LABELS,
    FaultRecord,
    FrameRecord,
    Ledger,
    NightRecord,
    account,
    counted_s,
    lights_so_far,
)
from midwatch.journal.store import Event, read_events
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.reports import LocalTime, folded_remedies, number
from midwatch.runtime.files import load_orders
from midwatch.runtime.folder import JOURNAL_NAME
from midwatch.sequencer.decision import forecast
from midwatch.sequencer.night import Change, Documents, documents_of, orders_found, prepare
from midwatch.sky import sun_altaz

# What the ledger is made from.
_ACCOUNTED = (Activity, FrameBegun, FrameRead, NightBegan, NightEnded, OperatorSpoke)
_MOST_FAULTS = 8
_MOST_WORDS = 8
_MOST_AHEAD = 6


@dataclass
class _Seen:
    """What was read of one night so far."""

    night: Night
    plan: NightPlan
    folder: Path
    record: NightRecord = field(default_factory=NightRecord)
    seq: int = 0
    last: Event | None = None
    accounted: list[Event] = field(default_factory=list)
    words: deque[Spoken] = field(default_factory=lambda: deque(maxlen=_MOST_WORDS))
    decision: tuple[float, DecisionMade] | None = None
    documents: Documents | None = None


class Outlook:
    """What the journal of a data folder says of the night that runs.

    Meant to be called from worker threads: a night has thousands of events to read at first.

    Args:
        data_folder: in which the journal is.
        declared: the night as the files say.

    Raises:
        InputError: the files of the orders cannot be read again.
    """

    def __init__(self, data_folder: Path, declared: Night) -> None:
        self._data_folder = data_folder
        self._declared = declared
        # Now, while they are what the daemon was started with: the user may edit or move them.
        self._documents = documents_of(declared)
        self._seen: _Seen | None = None
        self._lock = threading.Lock()

    @property
    def timezone(self) -> str:
        """The zone of the site, as the files say."""
        return self._declared.site.timezone

    def turn_to(self, plan: NightPlan) -> None:
        """Look at the night of another plan from now on."""
        folder = self._data_folder / plan.evening.isoformat()
        self._seen = _Seen(self._declared, plan, folder)

    def glance(self, now_utc_s: float) -> Glance | None:
        """Read what is new, and return the state of the night; None before any night is planned."""
        with self._lock:
            seen = self._seen
            if seen is None:
                return None
            trouble = self._read_on(seen)
            return _glance(seen, now_utc_s, trouble)

    def documents(self) -> Documents:
        """Return the files of the orders in force."""
        seen = self._seen
        if seen is not None and seen.documents is not None:
            return seen.documents
        return self._documents

    def try_orders(self, text: str, who: str) -> tuple[Documents, Change | None]:
        """Judge new night orders as the daemon will; site and rig are those of the files.

        Returns the files to send, and what would change; None for that before a night is
        planned.

        Raises:
            InputError: they cannot hold; the message names every problem.
        """
        before = self.documents()
        documents = Documents(main=before.main, files={**before.files, before.main: text})
        seen = self._seen
        if seen is None:
            return documents, None
        given = (documents, seen.night, self._declared, seen.plan)
        return documents, prepare(*given, load_orders, (who, None))

    def _read_on(self, seen: _Seen) -> str:
        """Take in what is new; return what keeps the journal from being read, or ""."""
        path = self._data_folder / JOURNAL_NAME
        try:
            events = read_events(path, seen.plan.evening.isoformat(), seen.seq)
        except FileNotFoundError:
            return ""  # nothing has happened yet
        except MidwatchError as error:
            return str(error)
        changed = False
        for event in events:
            _take(seen, event)
            changed = changed or isinstance(event.fact, OrdersChanged)
        if changed:
            self._change(seen, events)
        return ""

    def _change(self, seen: _Seen, events: list[Event]) -> None:
        declared = self._declared
        try:
            change = orders_found(events, declared, declared, seen.plan, load_orders)
        except MidwatchError:
            return  # a plugin that is gone, say: the daemon goes by the old ones as well
        if change is not None:
            seen.night, seen.plan = change.night, change.plan
            seen.documents = Documents(main=change.fact.main, files=change.fact.files)


def _take(seen: _Seen, event: Event) -> None:
    fact = event.fact
    seen.record.apply(event)
    seen.seq = event.seq
    last = seen.last
    if isinstance(fact, NightBegan) and last is not None and last not in seen.accounted[-1:]:
        # The ledger asks when the life before this one gave its last sign.
        seen.accounted.append(last)
    if isinstance(fact, _ACCOUNTED):
        seen.accounted.append(event)
    seen.last = event
    match fact:
        case DecisionMade():
            seen.decision = (event.at_utc_s, fact)
        case OperatorSpoke():
            what = " ".join(filter(None, (fact.command, fact.target)))
            seen.words.append(Spoken(event.at_utc_s, fact.who, what, fact.why or ""))
        case OrdersChanged():
            seen.words.append(Spoken(event.at_utc_s, fact.who, "new orders", fact.why or ""))
        case Notice():
            seen.words.append(Spoken(event.at_utc_s, "", "notice", fact.message))


# In values --------------------------------------------------------------------------------------


def _glance(seen: _Seen, now_utc_s: float, trouble: str) -> Glance:
    record, night, plan = seen.record, seen.night, seen.plan
    activity = record.activity
    doing = "not started" if activity is None else LABELS[activity.cause]
    if activity is not None and activity.detail:
        doing += f" ({activity.detail})"
    return Glance(
        at_utc_s=now_utc_s,
        site=night.site.name,
        rig=night.rig.name,
        timezone=night.site.timezone,
        evening=plan.evening.isoformat(),
        phase=_phase(record),
        doing=doing,
        since_utc_s=record.activity_since_utc_s,
        target=_target(seen),
        paused=record.paused,
        closing=record.closing,
        ending=record.ended.how if record.ended is not None else "",
        choice=_choice(seen),
        ahead=_ahead(seen, now_utc_s),
        hours=_hours(plan, now_utc_s),
        ledger=_ledger(seen, now_utc_s),
        targets=tuple(_target_line(record, name) for name in record.planned),
        faults=_faults(record),
        spoken=tuple(reversed(seen.words)),
        frame=_last_frame(seen),
        trouble=trouble,
    )


def _phase(record: NightRecord) -> Phase:
    if record.began is None:
        return "awaited"
    return "running" if record.ended is None else "ended"


def _target(seen: _Seen) -> str | None:
    if seen.decision is None or seen.record.ended is not None:
        return None
    target = seen.decision[1].args.get("target")
    return target if isinstance(target, str) else None


def _choice(seen: _Seen) -> Choice | None:
    if seen.decision is None:
        return None
    since_utc_s, made = seen.decision
    return Choice(since_utc_s, duty_text(made.duty, made.args), made.reason, made.ruled_out)


def _hours(plan: NightPlan, now_utc_s: float) -> Hours:
    events = plan.events
    alt_deg = float(sun_altaz(events.observer, now_utc_s).alt_deg)
    return Hours(events.sunset_utc_s, plan.dusk_s, plan.dawn_s, events.sunrise_utc_s, alt_deg)


def _ledger(seen: _Seen, now_utc_s: float) -> Ledger | None:
    plan = seen.plan
    if seen.record.began is None or now_utc_s <= plan.dusk_s:
        return None
    until_utc_s = min(now_utc_s, plan.dawn_s)
    return account(seen.accounted, plan.dusk_s, until_utc_s, running=True)


def _ahead(seen: _Seen, now_utc_s: float) -> tuple[tuple[float, str], ...]:
    """What comes if nothing goes wrong, as a forecast from now on has it."""
    record, plan = seen.record, seen.plan
    if record.ended is not None or record.closing:
        return ()
    taken = {
        (target.target.name, index): record.accepted(target.target.name, index)
        for target in plan.targets
        for index in range(len(target.target.order.frames))
    }
    left = tuple(t for t in plan.targets if t.target.name not in record.skipped)
    ahead = forecast(seen.night, replace(plan, targets=left), now_utc_s, taken)
    steps = [(plan.work_from_s, "open, slew, centre and focus"), (plan.dusk_s, "dusk")]
    times, present = LocalTime(seen.night.site.timezone), _target(seen)
    for visit in ahead.visits:
        what = f"{visit.frames} frames until {times.clock(visit.end_utc_s)}"
        if visit is ahead.visits[0] and visit.target == present:
            # A forecast does not know that the telescope is there already.
            steps.append((now_utc_s, f"{visit.target} goes on: {what}"))
        else:
            steps.append((visit.start_utc_s, f"{visit.target}: {what}"))
    steps += [(at, f"meridian flip on {target}") for target, at in ahead.flips]
    steps.append((plan.dawn_s, "dawn: park, close and warm up"))
    steps.sort(key=lambda step: step[0])
    return tuple(step for step in steps if step[0] >= now_utc_s)[:_MOST_AHEAD]


def _target_line(record: NightRecord, name: str) -> TargetLine:
    planned = record.planned[name]
    counted, wanted = lights_so_far(record, name)
    note = planned.note or ""
    if name in record.skipped:
        note = "skipped by hand for tonight"
    return TargetLine(
        name=name,
        accepted=counted,
        wanted=wanted,
        counted_s=counted_s(record, name),
        wanted_s=sum(exposure_s * count for _, exposure_s, count in planned.wanted),
        note=note,
    )


def _faults(record: NightRecord) -> tuple[FaultLine, ...]:
    """Return those that are open, then the latest of the others."""
    latest = sorted(record.faults.values(), key=lambda f: (not f.open, -f.began_at_utc_s))
    return tuple(_fault_line(fault) for fault in latest[:_MOST_FAULTS])


def _fault_line(fault: FaultRecord) -> FaultLine:
    return FaultLine(
        began_utc_s=fault.began_at_utc_s,
        ended_utc_s=fault.ended_at_utc_s,
        device=fault.began.device,
        what=f"{fault.began.fault.replace('_', ' ')}: {fault.began.message}",
        remedies=", ".join(folded_remedies(fault)[-4:]),
    )


def _last_frame(seen: _Seen) -> LastFrame | None:
    for frame in reversed(seen.record.frames.values()):
        if frame.filed is not None and frame.filed.preview is not None:
            return _frame_line(frame, seen.folder / frame.filed.preview)
    return None


def _frame_line(frame: FrameRecord, preview: Path) -> LastFrame:
    begun, graded = frame.begun, frame.graded
    parts = (begun.target or begun.frame, begun.filter, f"{frame.exposure_s:g} s")
    measures: list[tuple[str, str]] = []
    if graded is not None:
        measures = [
            ("stars", number(graded.stars)),
            ("HFR", number(graded.hfr_px, 2, "px")),
            ("FWHM", number(graded.fwhm_arcsec, 2, "″")),
            ("elongation", number(graded.elongation, 2)),
            ("guiding", number(graded.guide_rms_arcsec, 2, "″")),
            ("altitude", number(graded.altitude_deg, 0, "°")),
        ]
    return LastFrame(
        exposure_id=frame.exposure_id,
        began_utc_s=frame.began_utc_s,
        title=", ".join(filter(None, parts)),
        grade=graded.grade if graded is not None else "not graded",
        reasons=graded.reasons if graded is not None else (),
        measures=tuple(measures),
        preview=preview,
    )
