"""The promises of a night, checked against what was journaled and what lies on the disk."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence

from midwatch.journal.facts import (
    Activity,
    ClockAdopted,
    DecisionMade,
    DutyBegan,
    FaultBegan,
    FaultEnded,
    Flipped,
    FrameFiled,
    FrameLost,
    FrameRead,
    FrameRegraded,
    MotionEnded,
    NightBegan,
    NightEnded,
    RemedyTried,
    TiesShuffled,
)
from midwatch.journal.promises.bus_checks import foreign_commanders, silence_findings
from midwatch.journal.promises.inventory import Inventory
from midwatch.journal.promises.night_context import NightContext
from midwatch.journal.promises.promise import Promise
from midwatch.journal.promises.task_checks import given_up, vouched
from midwatch.journal.record import FrameRecord, Ledger, NightRecord
from midwatch.journal.store import Event, facts_of
from midwatch.sky import LimitCheck
from midwatch.sky.mounts import Direction, PierSide

__all__ = ["Promise", "check_promises", "limits_kept", "safe_when_unsafe"]

# Journaled angles and times are rounded, and the limits are held by another process's arithmetic.
_ANGLE_TOLERANCE_DEG = 0.05
_TIME_TOLERANCE_S = 1.5
# The sky turns by the tolerance of angles in this time. Exposures are timed by the camera's machine
# and begun by the daemon's: clocks that differ by seconds must not count as a limit passed.
_SKY_TOLERANCE_S = _ANGLE_TOLERANCE_DEG / 360.0 * 86164.1
_SHOWN = 4


def check_promises(
    events: Sequence[Event],
    record: NightRecord,
    ledger: Ledger,
    inventory: Inventory,
    context: NightContext,
    journal_digest: str,
) -> list[Promise]:
    """Check what one night can show; promises that it did not exercise are left out.

    Args:
        events: Of the night, in the order of the journal.
        record: The same, folded.
        ledger: The same, accounted.
        inventory: What lies in the night's folder.
        context: Site and limits.
        journal_digest: Digest of the night's events.
    """
    promises = [
        limits_kept(events, record, context),
        *_safe_in_silence(events, context),
        *safe_when_unsafe(events, context, _unsafe_spells(events)),
        _frames_on_disk(events, record, inventory),
        _accepted_frames_sound(events, record, context),
        _every_second_accounted(events, record, ledger),
        _reasons_and_remedies(events),
        _ended_at_rest(events),
        _reproducible(events, journal_digest),
        _obeyed_us_only(events),
    ]
    return sorted(vouched(promises, events), key=lambda promise: promise.number)


def _verdict(number: int, text: str, looked_at: str, wrong: Sequence[str]) -> Promise:
    if not wrong:
        return Promise(number=number, text=text, ok=True, detail=looked_at)
    more = f"; and {len(wrong) - _SHOWN} more" if len(wrong) > _SHOWN else ""
    detail = f"{looked_at}; wrong: {'; '.join(wrong[:_SHOWN])}{more}"
    return Promise(number=number, text=text, ok=False, detail=detail)


# 2 and 10: the bus ---------------------------------------------------------------------------


def _safe_in_silence(events: Sequence[Event], context: NightContext) -> list[Promise]:
    """Promise 2, where devices were left alone at all."""
    found = silence_findings(events, context)
    if found is None:
        return []
    text = "When daemon or bus was silent beyond the lease, each device was made safe"
    return [_verdict(2, text, *found)]


def _obeyed_us_only(events: Sequence[Event]) -> Promise:
    ok, detail = foreign_commanders(events)
    text = "Devices did nothing but under the lease of this night's daemon"
    return Promise(number=10, text=text, ok=ok, detail=detail)


# 1 and 3: limits and safety ------------------------------------------------------------------


def limits_kept(events: Sequence[Event], record: NightRecord, context: NightContext) -> Promise:
    """Promise 1, of all that moved or was exposed."""
    motions = facts_of(events, MotionEnded)
    wrong = [
        f"{motion.what}: {problem}"
        for _, motion in motions
        if (problem := _motion_problem(motion, context)) is not None
    ]
    lights = [frame for frame in record.frames.values() if frame.is_light and frame.read]
    wrong += _limit_breaches(events, record, context, lights)
    looked_at = f"{len(motions)} ends of motion and {len(lights)} light frames looked at"
    text = "No motion or tracking ended below the horizon, past the meridian or near the Sun"
    return _verdict(1, text, looked_at, wrong)


def _motion_problem(motion: MotionEnded, context: NightContext) -> str | None:
    if not motion.within_limits:
        return motion.message or "ended outside the limits"
    if motion.what == "park":
        return None  # where a telescope rests is the owner's choice
    if motion.alt_deg < motion.horizon_deg - _ANGLE_TOLERANCE_DEG:
        return f"altitude {motion.alt_deg:.2f} deg, horizon {motion.horizon_deg:.2f} deg"
    at = Direction(motion.hour_angle_deg, math.nan, motion.alt_deg, math.nan)
    geometry, side = context.limits.geometry, _side(motion.pier_side)
    if geometry.drawn_in(-_ANGLE_TOLERANCE_DEG).overstep(at, side) is None:
        return None
    return geometry.limit_words(at, side)


def _limit_breaches(
    events: Sequence[Event],
    record: NightRecord,
    context: NightContext,
    frames: Sequence[FrameRecord],
) -> list[str]:
    """Point at each frame's target again, when its shutter opened and closed."""
    check = LimitCheck(context.observer, context.limits)
    wrong = []
    sides = _pier_sides(events, [frame.began_utc_s for frame in frames])
    for frame, side in zip(frames, sides, strict=True):
        plan = record.planned.get(frame.begun.target or "")
        if plan is None:
            wrong.append(f"{frame.exposure_id}: target {frame.begun.target} was never planned")
            continue
        for at_utc_s in (frame.began_utc_s, frame.ended_utc_s):
            breach = check.breach(*plan.motion.position_at(at_utc_s), at_utc_s, side)
            if breach is not None:
                wrong.append(f"{frame.exposure_id}: {breach.message}")
                break
    return wrong


def _pier_sides(events: Sequence[Event], moments: Sequence[float]) -> Iterator[PierSide]:
    """Yield the side of the pier at each moment, as last reported before; moments ascend."""
    changes: list[tuple[float, str]] = sorted(
        [(at, motion.pier_side) for at, motion in facts_of(events, MotionEnded)]
        + [(at, flip.to_side) for at, flip in facts_of(events, Flipped) if flip.ok],
        key=lambda change: change[0],
    )
    side: PierSide = "unknown"
    index = 0
    for moment in moments:
        while index < len(changes) and changes[index][0] <= moment:
            side = _side(changes[index][1])
            index += 1
        yield side


def _side(reported: str) -> PierSide:
    return "east" if reported == "east" else "west" if reported == "west" else "unknown"


def safe_when_unsafe(
    events: Sequence[Event], context: NightContext, spells: Sequence[tuple[float, float]]
) -> list[Promise]:
    """Promise 3, where it was unsafe at all: from when to when."""
    if not spells:
        return []
    reads = facts_of(events, FrameRead)
    motions = facts_of(events, MotionEnded)
    wrong = []
    for start, end in spells:
        began = [read for _, read in reads if start + _TIME_TOLERANCE_S < read.began_utc_s < end]
        wrong += [f"{read.exposure_id} was begun while it was unsafe" for read in began]
        limit = start + context.close_within_s
        before = [motion.what for at, motion in motions if at < start]
        parked = [at for at, motion in motions if motion.what == "park" and start <= at <= limit]
        was_parked = bool(before) and before[-1] == "park"
        if end >= limit and not parked and not was_parked:
            wrong.append(f"not parked within {context.close_within_s:.0f} s of becoming unsafe")
    text = "When it was unsafe, exposing stopped and the mount parked in time"
    return [_verdict(3, text, f"{len(spells)} unsafe spells looked at", wrong)]


def _unsafe_spells(events: Sequence[Event]) -> list[tuple[float, float]]:
    spells: list[tuple[float, float]] = []
    since: float | None = None
    for at, activity in facts_of(events, Activity):
        if activity.cause == "unsafe":
            since = at if since is None else since
        elif since is not None and activity.cause != "closing":
            spells.append((since, at))
            since = None
    if since is not None:
        spells.append((since, events[-1].at_utc_s))
    return spells


# 4 and 5: frames -----------------------------------------------------------------------------


def _frames_on_disk(events: Sequence[Event], record: NightRecord, inventory: Inventory) -> Promise:
    moved = {f.exposure_id: f.path for _, f in facts_of(events, FrameRegraded) if f.path}
    filed = [
        fact.model_copy(update={"path": moved.get(fact.exposure_id, fact.path)})
        for _, fact in facts_of(events, FrameFiled)
    ]
    read_ids = Counter(fact.exposure_id for _, fact in facts_of(events, FrameRead))
    wrong = [f"{name} was read out {n} times" for name, n in read_ids.items() if n > 1]
    wrong += [
        f"{name} was filed {n} times"
        for name, n in Counter(fact.exposure_id for fact in filed).items()
        if n > 1
    ]
    paths = Counter(fact.path for fact in filed)
    wrong += [f"{path} holds {n} frames" for path, n in paths.items() if n > 1]
    known = {fact.exposure_id for fact in filed}
    # What arrived otherwise than the camera said was never a frame; its loss is in the ledger.
    spoilt = {fact.exposure_id for _, fact in facts_of(events, FrameLost) if fact.spoilt}
    # What the disk had no room for is safe in the camera's spool, and a fault says so.
    waiting = {f.exposure_id for f in record.unfiled() if f.read and _disk_stands(record, f)}
    known |= spoilt | waiting
    wrong += [f"{name} was read out and is not on disk" for name in read_ids if name not in known]
    for fact in filed:
        digest = inventory.sha256.get(fact.path)
        if digest is None:
            wrong.append(f"{fact.path} is missing")
        elif digest != fact.file_sha256:
            wrong.append(f"{fact.path} differs from its digest")
        elif fact.path in inventory.unsound:
            wrong.append(f"the FITS checksum of {fact.path} does not hold")
        if fact.exposure_id not in record.frames:
            wrong.append(f"{fact.exposure_id} was filed and never begun")
    wrong += [f"{path} is in no ledger" for path in inventory.sha256 if path not in paths]
    looked_at = f"{len(read_ids)} frames read out, {len(inventory.sha256)} files verified"
    if spoilt:
        looked_at += f", {len(spoilt)} arrived spoilt"
    if waiting:
        looked_at += f", {len(waiting)} wait in the camera's spool for room on the disk"
    return _verdict(4, "Every frame read out is on disk, whole, exactly once", looked_at, wrong)


def _disk_stands(record: NightRecord, frame: FrameRecord) -> bool:
    """Return whether the disk has failed to take a frame to the last."""
    return any(
        fault.began.device == "disk"
        and (fault.last_tried_utc_s or fault.began_at_utc_s) >= frame.ended_utc_s
        for fault in record.open_faults()
    )


def _accepted_frames_sound(
    events: Sequence[Event], record: NightRecord, context: NightContext
) -> Promise:
    accepted = [frame for frame in record.frames.values() if frame.accepted]
    wrong = [
        f"{frame.exposure_id}: {problem}"
        for frame in accepted
        for problem in _frame_problems(frame, record)
    ]
    wrong += _limit_breaches(events, record, context, accepted)
    text = "Accepted frames were exposed inside all limits, with guiding and focus as recorded"
    return _verdict(5, text, f"{len(accepted)} accepted frames looked at", wrong)


def _frame_problems(frame: FrameRecord, record: NightRecord) -> Iterator[str]:
    start, end, slack = frame.began_utc_s, frame.ended_utc_s, _SKY_TOLERANCE_S
    windows = record.windows.get(frame.begun.target or "", [])
    if not any(opens - slack <= start and end <= closes + slack for opens, closes in windows):
        yield "exposed outside the target's windows"
    night = record.began
    if night is not None and (start < night.dusk_utc_s - slack or end > night.dawn_utc_s + slack):
        yield "exposed outside the dark hours"
    if frame.read is None or frame.filed is None:
        yield "accepted without being read out and filed"
    if frame.graded is not None:
        needed = ["stars", "hfr_px", "elongation", "background_adu", "focus_position"]
        if frame.graded.guided:
            needed.append("guide_rms_arcsec")
        missing = [name for name in needed if getattr(frame.graded, name) is None]
        if missing:
            yield f"accepted without {', '.join(missing)}"


# 6 to 9: accounts ----------------------------------------------------------------------------


def _every_second_accounted(
    events: Sequence[Event], record: NightRecord, ledger: Ledger
) -> Promise:
    night_s = ledger.dawn_utc_s - ledger.dusk_utc_s
    wrong = []
    if sum(ledger.seconds.values()) != night_s:
        wrong.append(f"the causes add up to {sum(ledger.seconds.values())} s of {night_s} s")
    edge = ledger.dusk_utc_s
    for span in ledger.spans:
        if span.start_utc_s != edge:
            wrong.append(f"gap or overlap of {span.start_utc_s - edge} s before {span.cause}")
        edge = span.end_utc_s
    if edge != ledger.dawn_utc_s:
        wrong.append(f"the last span ends {ledger.dawn_utc_s - edge} s before dawn")
    lights = [frame for frame in record.frames.values() if frame.is_light and frame.read]
    exposed_s = sum(
        max(0.0, min(f.ended_utc_s, ledger.dawn_utc_s) - max(f.began_utc_s, ledger.dusk_utc_s))
        for f in lights
    )
    open_s = ledger.of("open_shutter")
    # What was exposed before a clock was put right has times by the camera's clock.
    unsure_s = sum(abs(fact.jump_s) for _, fact in facts_of(events, ClockAdopted))
    if open_s < exposed_s - unsure_s - _TIME_TOLERANCE_S * (len(lights) + 1):
        wrong.append(f"frames were exposed for {exposed_s:.0f} s, the ledger has {open_s} s")
    looked_at = f"{night_s} s under {len(ledger.seconds)} causes, {open_s} s of open shutter"
    text = "Every second between dusk and dawn is under exactly one cause"
    return _verdict(6, text, looked_at, wrong)


def _reasons_and_remedies(events: Sequence[Event]) -> Promise:
    wrong: list[str] = []
    decided: set[str] = set()
    faults: dict[str, bool] = {}
    decisions = remedies = 0
    for event in events:
        fact = event.fact
        if isinstance(fact, DecisionMade):
            decisions += 1
            decided.add(fact.duty)
            if not fact.reason.strip():
                wrong.append(f"decision {event.seq} ({fact.duty}) has no reason")
        elif isinstance(fact, DutyBegan):
            if fact.duty not in decided:
                wrong.append(f"duty {fact.duty} (event {event.seq}) began without a decision")
            decided.clear()
        elif isinstance(fact, FaultBegan):
            faults[fact.fault_id] = True
        elif isinstance(fact, RemedyTried):
            remedies += 1
            if not faults.get(fact.fault_id):
                wrong.append(f"remedy {fact.remedy} against {fact.fault_id}, which was not open")
        elif isinstance(fact, FaultEnded):
            if not faults.get(fact.fault_id):
                wrong.append(f"fault {fact.fault_id} ended without being open")
            faults[fact.fault_id] = False
    wrong += [why for _, why in given_up(events)]
    looked_at = (
        f"decisions: {decisions}; faults: {len(faults)}, still open: {sum(faults.values())}; "
        f"remedies: {remedies}"
    )
    text = "Every decision has a reason; every fault its beginning, end and remedies"
    return _verdict(7, text, looked_at, wrong)


def _ended_at_rest(events: Sequence[Event]) -> Promise:
    text = "The night ended parked, warm and closed"
    ends = facts_of(events, NightEnded)
    if not ends:
        return _verdict(8, text, "no end was journaled", ["the night did not end"])
    end = ends[-1][1]
    wrong = [f"not {name}" for name in ("parked", "warm", "closed") if not getattr(end, name)]
    return _verdict(8, text, f"ended: {end.how}", wrong)


def _reproducible(events: Sequence[Event], journal_digest: str) -> Promise:
    seeds = [fact.seed for _, fact in facts_of(events, NightBegan) if fact.rehearsal]
    shuffled = [f" and --shuffle {fact.seed}" for _, fact in facts_of(events, TiesShuffled)]
    how = (
        f"rehearse again with seed {seeds[0]}{''.join(shuffled[:1])} and compare"
        if seeds and seeds[0] is not None
        else "only rehearsals can be repeated"
    )
    return Promise(
        number=9,
        text="The same orders, site, rig and seed give the same journal",
        ok=None,
        detail=f"journal digest {journal_digest}; {how}",
    )
