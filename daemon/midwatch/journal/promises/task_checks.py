"""What a night cannot vouch for after one of the daemon's tasks has died for good."""

from __future__ import annotations

from collections.abc import Sequence

from midwatch.journal.facts import FaultBegan, RemedyTried
from midwatch.journal.promises.promise import Promise
from midwatch.journal.store import Event, facts_of

__all__ = ["DAEMON", "TASK_DIED", "given_up", "vouched"]

# How the fault of a task that died is named.
DAEMON, TASK_DIED = "daemon", "task_died"
# Promises that are judged by what the daemon saw and noted. Files, seconds and decisions are there
# or not, whether watched or not.
_SEEN = frozenset({1, 2, 3, 5, 8, 10})
_GIVING_UP = ("close", "leave")


def given_up(events: Sequence[Event]) -> list[tuple[float, str]]:
    """Return when tasks of the daemon were given up, POSIX seconds, and why."""
    died = {
        fact.fault_id
        for _, fact in facts_of(events, FaultBegan)
        if (fact.device, fact.fault) == (DAEMON, TASK_DIED)
    }
    return [
        (at_s, tried.reason or tried.fault_id)
        for at_s, tried in facts_of(events, RemedyTried)
        if tried.fault_id in died and tried.remedy in _GIVING_UP
    ]


def vouched(promises: Sequence[Promise], events: Sequence[Event]) -> list[Promise]:
    """Return the promises, those that seem kept as undecided where the night was blind.

    From the moment in which a task was given up it is unknown what it would have seen. Which task
    it was is not asked: that rule would have to be right for every task that is ever written.
    """
    blind = given_up(events)
    if not blind:
        return list(promises)
    note = f"; what was no longer seen is not known: {blind[0][1]}"
    return [
        p.model_copy(update={"ok": None, "detail": p.detail + note})
        if p.ok and p.number in _SEEN
        else p
        for p in promises
    ]
