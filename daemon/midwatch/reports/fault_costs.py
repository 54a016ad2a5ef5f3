"""What each fault of a night cost: the dark seconds that brought no frame because of it.

Charged to a fault are, each second once and to the fault that began first:

- the ledger's seconds of faults and of preparing while it was open;
- light frames that were exposed while it was open and were rejected or never read out, from their
  first second;
- of a sensor that has warmed, cooling it again and lights that no dark matches, from shortly before
  until shortly after: it had warmed before that was certain, and cools for a while;
- the work of getting ready again (slewing, centring, focusing ...) from its beginning to the first
  frame that was kept: from then on it holds nothing up.

Without readings of the weather the roof is closed: that time is charged to the weather's fault.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from midwatch.journal.facts import Cause
from midwatch.journal.record import FaultRecord, FrameRecord, Ledger

__all__ = ["fault_costs"]

_ALWAYS: tuple[Cause, ...] = ("fault", "preparing")
_WORK: tuple[Cause, ...] = (
    "preparing", "opening", "slewing", "centring", "focusing", "guiding", "flipping", "deciding",
    "closing",
)  # fmt: skip
_SHELTERED: tuple[Cause, ...] = ("unsafe", "closing", "opening")
# What comes after a fault and is not of its making, nor is what comes after that.
_OTHERS: tuple[Cause, ...] = (
    "unsafe", "clouds", "paused", "standing_order", "daemon_down", "waiting_for_dark",
    "waiting_for_target", "waiting_for_meridian", "no_target_left", "calibrating",
)  # fmt: skip
# Devices whose faults spoil no frame.
_BLIND = ("weather", "roof", "flat_panel", "switch")
# Getting ready again belongs to a fault that has gone for so long at most. Too short: the centring
# that it made necessary is not charged; too long: the next target's slew is.
_READY_AGAIN_S = 1800.0

# A light that was begun so long before a warm sensor is reported, or after it is cold again, may
# have lost its darks to it: a long exposure.
_WARMING_S = 1200.0

Spans = list[tuple[float, float]]


def fault_costs(
    faults: Sequence[FaultRecord], frames: Sequence[FrameRecord], ledger: Ledger
) -> Mapping[str, int]:
    """Return what each fault cost, whole seconds between dusk and dawn, by its id.

    Args:
        faults: oldest first.
        frames: all of the night, or its lights.
        ledger: of the same night.
    """
    origin = ledger.dusk_utc_s
    taken = bytearray(ledger.dawn_utc_s - origin)
    costs = {}
    lights = [frame for frame in frames if frame.is_light]
    for fault in faults:
        lost = bytearray(len(taken))
        for start, end in _charged(fault, lights, ledger):
            first = min(len(taken), max(0, round(start) - origin))
            last = max(first, min(len(taken), round(end) - origin))
            lost[first:last] = b"\1" * (last - first)
        costs[fault.began.fault_id] = sum(
            new and not old for new, old in zip(lost, taken, strict=True)
        )
        taken = bytearray(new or old for new, old in zip(lost, taken, strict=True))
    return costs


def _charged(fault: FaultRecord, lights: Sequence[FrameRecord], ledger: Ledger) -> Spans:
    began = fault.began_at_utc_s
    ended = ledger.dawn_utc_s if fault.ended_at_utc_s is None else fault.ended_at_utc_s
    kept = [f.began_utc_s for f in lights if f.counts and f.began_utc_s >= began]
    going = any(f.counts and f.began_utc_s < ended < f.ended_utc_s for f in lights)
    others = [
        s.start_utc_s for s in ledger.spans if s.cause in _OTHERS and s.start_utc_s > ended - 1
    ]
    ready = min([ended if going else ended + _READY_AGAIN_S, *kept, *others])
    always = _ALWAYS + (_SHELTERED if fault.began.device == "weather" else ())
    spans = _of_causes(ledger, always, began, ended)
    spans += _of_causes(ledger, _WORK, began, ready)
    if fault.began.duty == "prepare":
        spans += _of_warmth(lights, ledger, began - _WARMING_S, ended + _WARMING_S)
    spoils = fault.began.device not in _BLIND
    spans += [
        (frame.began_utc_s, frame.ended_utc_s)
        for frame in lights
        if frame.began_utc_s < ended
        and frame.ended_utc_s > began
        and (frame.lost is not None or (spoils and _rejected(frame)))
    ]
    return spans


def _of_warmth(lights: Sequence[FrameRecord], ledger: Ledger, start: float, end: float) -> Spans:
    return _of_causes(ledger, ("preparing",), start, end) + [
        (frame.began_utc_s, frame.ended_utc_s)
        for frame in lights
        if _rejected(frame)
        and frame.graded is not None
        and frame.graded.beyond_darks
        and frame.began_utc_s < end
        and frame.ended_utc_s > start
    ]


def _rejected(frame: FrameRecord) -> bool:
    return frame.graded is not None and not frame.counts


def _of_causes(ledger: Ledger, causes: tuple[Cause, ...], start: float, end: float) -> Spans:
    return [
        (max(start, span.start_utc_s), min(end, span.end_utc_s))
        for span in ledger.spans
        if span.cause in causes and span.start_utc_s < end and span.end_utc_s > start
    ]
