"""How far up its ladder a fault is, and what is due next: a pure function of the journal's record.

An attempt counts for the step that was due when it was made. A fault that comes back soon after
it has gone goes on where it had come to; one that has stayed away begins at the bottom.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from midwatch.journal.record import FaultRecord
from midwatch.orders.models import Ladder, RemedyStep, ladder_for

__all__ = ["STAYS_AWAY_S", "Rung", "earlier_attempts", "rung_of"]

# A fault of the same kind that begins within this time after the last one ended is the same
# trouble. Too short: a loose plug has its link opened again all night and never its power cycled;
# too long: a night's second, unrelated fault begins with heavy remedies.
STAYS_AWAY_S = 1200.0

Attempt = tuple[float, str]


@dataclass(frozen=True, slots=True)
class Rung:
    """The remedy that is next.

    Attributes:
        step: of the ladder.
        attempt: counted from 1 within the step.
        due_s: POSIX seconds from which it may be tried.
    """

    step: RemedyStep
    attempt: int
    due_s: float


def rung_of(
    fault: FaultRecord,
    declared: Sequence[Ladder],
    before: Sequence[Attempt] = (),
    *,
    possible: Iterable[str] | None = None,
) -> Rung | None:
    """Return what is next against an open fault; None when its ladder is at its end.

    Args:
        fault: with the attempts made so far.
        declared: the rig's own ladders.
        before: attempts at the same trouble under earlier faults (see `earlier_attempts`).
        possible: remedies that this rig can do for this device; others are passed over. All by
            default.
    """
    ladder = ladder_for(fault.began.device, fault.began.fault, declared)
    allowed = None if possible is None else frozenset(possible)
    steps = [step for step in ladder.steps if allowed is None or step.do in allowed]
    own = [(at_s, remedy_of(tried.remedy)) for at_s, tried in fault.remedies]
    return _climb(steps, [*before, *own], fault.began_at_utc_s)


def _climb(steps: Sequence[RemedyStep], attempts: Sequence[Attempt], began_s: float) -> Rung | None:
    last_s, waiting = began_s, list(attempts)
    for step in steps:
        count, first_s = 0, None
        limit = math.inf if step.times is None else step.times
        while waiting and count < limit:
            at_s, name = waiting[0]
            if first_s is not None and step.within_s is not None and at_s > first_s + step.within_s:
                break
            waiting.pop(0)
            if name != step.do:
                # Made by someone else, or in passing: it neither counts nor delays.
                continue
            count += 1
            first_s = at_s if first_s is None else first_s
            last_s = max(at_s, began_s)
        if count >= limit:
            continue
        pause_s = min(step.pause_s * 2.0 ** min(count, 30), step.longest_pause_s)
        if count == 0:
            pause_s = step.pause_s
        due_s = last_s + pause_s
        if first_s is not None and step.within_s is not None and due_s > first_s + step.within_s:
            continue
        return Rung(step, count + 1, due_s)
    return None


def remedy_of(journaled: str) -> str:
    """Return the remedy's name from what the journal calls an attempt ("retry focus" is retry)."""
    return journaled.partition(" ")[0]


def earlier_attempts(fault: FaultRecord, faults: Iterable[FaultRecord]) -> list[Attempt]:
    """Return the attempts at the same trouble that are still to be counted, oldest first.

    Args:
        fault: the present one.
        faults: all of the night, oldest first.
    """
    found: list[Attempt] = []
    begins_s = fault.began_at_utc_s
    alike = [
        other
        for other in faults
        if other is not fault
        and (other.began.device, other.began.fault) == (fault.began.device, fault.began.fault)
        and other.ended_at_utc_s is not None
    ]
    for other in reversed(alike):
        assert other.ended_at_utc_s is not None
        if other.began_at_utc_s >= begins_s or begins_s - other.ended_at_utc_s > STAYS_AWAY_S:
            continue
        found = [(at_s, remedy_of(tried.remedy)) for at_s, tried in other.remedies] + found
        begins_s = other.began_at_utc_s
    return found
