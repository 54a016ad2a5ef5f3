"""What a polar alignment promises, checked against what was journaled of it."""

from __future__ import annotations

from collections.abc import Sequence

from midwatch.journal.facts import DecisionMade, DutyEnded
from midwatch.journal.promises.checks import limits_kept, safe_when_unsafe
from midwatch.journal.promises.night_context import NightContext
from midwatch.journal.promises.promise import Promise
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event, facts_of

__all__ = ["check_alignment"]


def check_alignment(events: Sequence[Event], context: NightContext) -> list[Promise]:
    """Check promise 1, and promise 3 where it became unsafe at all.

    It is unsafe from the first decision to secure the rig to the end: an alignment does not go on
    after it. Until the time for closing is over, a duty that parks and closes must have succeeded.

    Args:
        events: Of the alignment, in the order of the journal.
        context: Site and limits.
    """
    record = NightRecord.from_events(events)
    found = [limits_kept(events, record, context)]
    secured = [
        at
        for at, decision in facts_of(events, DecisionMade)
        if (decision.rule, decision.duty) == ("safety", "secure")
    ]
    if not secured:
        return found
    began, limit = secured[0], secured[0] + context.close_within_s
    (promise,) = safe_when_unsafe(events, context, [(began, max(limit, events[-1].at_utc_s))])
    if not any(began <= at <= limit for at in _closings(events)):
        late = f"not parked and closed within {context.close_within_s:.0f} s"
        promise = promise.model_copy(update={"ok": False, "detail": f"{promise.detail}; {late}"})
    return [*found, promise]


def _closings(events: Sequence[Event]) -> list[float]:
    """Return when a duty that parks and closes has succeeded."""
    return [
        at
        for at, ended in facts_of(events, DutyEnded)
        if ended.duty in ("secure", "close") and ended.outcome == "done"
    ]
