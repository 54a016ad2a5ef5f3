"""Summing up a night for machines: the content of ``night.json``."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from midwatch.journal.facts import FocusRun, HostAccount, NightBegan, NightEnded, TargetPlanned
from midwatch.journal.promises import Promise
from midwatch.journal.record import FaultRecord, FrameRecord, Ledger, NightRecord, whole_frames
from midwatch.journal.store import Event, facts_of
from midwatch.learning import Lessons
from midwatch.reports.fault_costs import fault_costs
from midwatch.reports.summary_models import (
    CalibrationMissing,
    ExposureSummary,
    FaultSummary,
    FlipSummary,
    FocusSummary,
    FrameSummary,
    HorizonSummary,
    NightSummary,
    OrderSummary,
    RemedySummary,
    TargetSummary,
    TrafficSummary,
    Yield,
)

__all__ = [
    "Measure", "Reach", "json_schema", "known_reach", "summarise", "to_json", "usable_seconds",
    "utc_text",
]  # fmt: skip

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NOTHING_LEARNED = Lessons()


@dataclass(frozen=True)
class Reach:
    """What a night had, and what it could have had, seconds of integration as far as ordered.

    Attributes:
        had_s: of accepted frames.
        bound_s: what a plan that knew the night beforehand could have had at most.
    """

    had_s: float
    bound_s: float


# Gives the reach of a night that is over, from its events and their record; None if unknown.
Measure = Callable[[Sequence[Event], NightRecord], Reach | None]


def utc_text(utc_s: float) -> str:
    """Return POSIX seconds as ISO 8601 UTC, with milliseconds where there are any."""
    moment = _EPOCH + timedelta(milliseconds=round(utc_s * 1000))
    text = moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")
    return text.replace("+00:00", "Z")


def summarise(
    events: Sequence[Event],
    record: NightRecord,
    ledger: Ledger,
    promises: Sequence[Promise],
    journal_digest: str,
    lessons: Lessons = _NOTHING_LEARNED,
    reach: Reach | None = None,
) -> NightSummary:
    """Sum up a night.

    Args:
        events: Of the night, in the order of the journal.
        record: The same, folded.
        ledger: The same, accounted.
        promises: As checked.
        journal_digest: Digest of the night's events.
        lessons: What this night and those before have taught.
        reach: What could have been had; None where that is not known.

    Raises:
        ValueError: The night never began.
    """
    began = record.began
    if began is None:
        raise ValueError("the journal holds no beginning of this night")
    usable_s = usable_seconds(record, ledger)
    ends = facts_of(events, NightEnded) if record.ended is not None else []
    frames = list(record.frames.values())
    return NightSummary(
        midwatch=began.version,
        night=began.night,
        evening=began.evening,
        site=began.site,
        rig=began.rig,
        rehearsal=began.rehearsal,
        sky_mode=began.sky_mode,
        seed=began.seed,
        orders_sha256=began.orders_sha256,
        began=utc_text(facts_of(events, NightBegan)[0][0]),
        ended=utc_text(ends[-1][0]) if ends else None,
        how=record.ended.how if record.ended else None,
        restarts=record.resumed,
        dusk=utc_text(ledger.dusk_utc_s),
        dawn=utc_text(ledger.dawn_utc_s),
        usable_s=usable_s,
        ledger=dict(ledger.seconds),
        targets=[_target(plan, frames) for plan in record.planned.values()],
        frames=[_frame(frame) for frame in frames],
        focus_runs=_focus_runs(events),
        flips=[FlipSummary(at=utc_text(at), **flip.model_dump()) for at, flip in record.flips],
        faults=_faults(list(record.faults.values()), frames, ledger),
        decisions=record.decisions,
        promises=list(promises),
        yield_=_yield(ledger.of("open_shutter"), usable_s, reach),
        journal_digest=journal_digest,
        exposures=[ExposureSummary(**asdict(advice)) for advice in lessons.exposures],
        horizon_seen=[HorizonSummary(**asdict(one)) for one in lessons.horizon],
        turned_away=_turned_away(events),
        calibration_missing=[
            CalibrationMissing(**skipped.model_dump()) for skipped in record.calibration_skipped
        ],
    )


def _turned_away(events: Sequence[Event]) -> list[TrafficSummary]:
    latest = {account.device: account for _, account in facts_of(events, HostAccount)}
    return [
        TrafficSummary(
            device=name, since=utc_text(account.since_utc_s), counts=dict(account.counts)
        )
        for name, account in latest.items()
        if account.counts
    ]


def to_json(summary: NightSummary) -> str:
    """Return the text of ``night.json``: sorted keys, at most 6 decimals, final newline."""
    content = _rounded(summary.model_dump(mode="json", by_alias=True))
    return json.dumps(content, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def known_reach(path: Path, journal_digest: str) -> Reach | None:
    """Return the reach that a ``night.json`` gives for these very events; None if it does not."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        kept = content["yield"]
        if content["journal_digest"] != journal_digest:
            return None
        return Reach(float(kept["had_s"]), float(kept["bound_s"]))
    except (OSError, ValueError, LookupError, TypeError):
        return None


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``night.json``."""
    return NightSummary.model_json_schema(by_alias=True, mode="serialization")


def usable_seconds(record: NightRecord, ledger: Ledger) -> int:
    """Count the seconds of the night in which a target was inside its windows and it was safe."""
    usable = bytearray(ledger.dawn_utc_s - ledger.dusk_utc_s)
    for windows in record.windows.values():
        for opens, closes in windows:
            _mark(usable, ledger.dusk_utc_s, opens, closes, 1)
    for span in ledger.spans:
        if span.cause == "unsafe":
            _mark(usable, ledger.dusk_utc_s, span.start_utc_s, span.end_utc_s, 0)
    return sum(usable)


def _mark(seconds: bytearray, origin: int, start: float, end: float, value: int) -> None:
    first, last = _clip(seconds, origin, start, end)
    seconds[first:last] = bytes([value]) * (last - first)


def _clip(seconds: bytearray, origin: int, start: float, end: float) -> tuple[int, int]:
    first = min(len(seconds), max(0, round(start) - origin))
    return first, max(first, min(len(seconds), round(end) - origin))


def _yield(open_shutter_s: int, usable_s: int, reach: Reach | None) -> Yield:
    return Yield(
        open_shutter_s=open_shutter_s,
        usable_s=usable_s,
        fraction=_ratio(open_shutter_s, usable_s),
        had_s=None if reach is None else round(reach.had_s, 3),
        bound_s=None if reach is None else round(reach.bound_s, 3),
        kept=None if reach is None else _ratio(reach.had_s, reach.bound_s),
        clairvoyant=None if reach is None else _ratio(reach.bound_s, usable_s),
    )


def _ratio(part: float, whole: float) -> float | None:
    return round(part / whole, 6) if whole > 0.0 else None


def _target(plan: TargetPlanned, frames: Sequence[FrameRecord]) -> TargetSummary:
    lights = [frame for frame in frames if frame.is_light and frame.begun.target == plan.target]
    grades = Counter(frame.graded.grade for frame in lights if frame.graded)
    return TargetSummary(
        name=plan.target,
        ra_deg=plan.ra_deg,
        dec_deg=plan.dec_deg,
        wanted=sum(count for _, _, count in plan.wanted),
        accepted=grades["accepted"],
        rejected=grades["rejected"],
        doubtful=grades["doubtful"],
        lost=sum(frame.state == "lost" for frame in lights),
        integration_s=_integration_s(lights),
        windows=[(utc_text(opens), utc_text(closes)) for opens, closes in plan.windows_utc_s],
        transit=None if plan.transit_utc_s is None else utc_text(plan.transit_utc_s),
        note=plan.note,
        orders=[
            _order(wanted, [f for f in lights if f.order_index == index])
            for index, wanted in enumerate(plan.wanted)
        ],
    )


def _order(wanted: tuple[str | None, float, int], lights: Sequence[FrameRecord]) -> OrderSummary:
    grades = Counter(frame.graded.grade for frame in lights if frame.graded)
    return OrderSummary(
        filter=wanted[0],
        exposure_s=wanted[1],
        wanted=wanted[2],
        accepted=grades["accepted"],
        rejected=grades["rejected"],
        doubtful=grades["doubtful"],
        counted=whole_frames(lights, wanted[1]),
        integration_s=_integration_s(lights),
    )


def _integration_s(lights: Sequence[FrameRecord]) -> float:
    return round(sum(frame.exposure_s for frame in lights if frame.accepted), 3)


def _frame(frame: FrameRecord) -> FrameSummary:
    begun, graded, filed = frame.begun, frame.graded, frame.filed
    measures = (
        {}
        if graded is None
        else graded.model_dump(
            exclude={"exposure_id", "grade", "reasons", "guided", "doubt_counts", "beyond_darks"}
        )
    )
    reasons = [] if graded is None else list(graded.reasons)
    if frame.lost is not None:
        reasons.append(frame.lost.reason)
    return FrameSummary(
        **begun.model_dump(exclude={"exposure_s", "order_index"}),
        order_index=frame.order_index,
        state=frame.state,
        began=utc_text(frame.began_utc_s),
        exposure_s=frame.exposure_s,
        path=None if filed is None else filed.path,
        sha256=None if filed is None else filed.file_sha256,
        grade=None if graded is None else graded.grade,
        reasons=reasons,
        first_grade=frame.first_grade,
        counts=frame.counts,
        **measures,
    )


def _focus_runs(events: Sequence[Event]) -> list[FocusSummary]:
    return [
        FocusSummary(at=utc_text(at), **run.model_dump()) for at, run in facts_of(events, FocusRun)
    ]


def _faults(
    faults: Sequence[FaultRecord], frames: Sequence[FrameRecord], ledger: Ledger
) -> list[FaultSummary]:
    costs = fault_costs(faults, frames, ledger)
    return [_fault(fault, costs[fault.began.fault_id]) for fault in faults]


def _fault(fault: FaultRecord, lost_s: int) -> FaultSummary:
    ended = fault.ended_at_utc_s
    return FaultSummary(
        fault_id=fault.began.fault_id,
        device=fault.began.device,
        kind=fault.began.fault,
        message=fault.began.message,
        began=utc_text(fault.began_at_utc_s),
        ended=None if ended is None else utc_text(ended),
        how=None if fault.ended is None else fault.ended.how,
        remedies=[
            RemedySummary(at=utc_text(at), **tried.model_dump(exclude={"fault_id"}))
            for at, tried in fault.remedies
        ],
        lost_s=lost_s,
    )


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return round(value, 6) + 0.0
    if isinstance(value, list):
        return [_rounded(part) for part in value]
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    return value
