"""What came of a polar alignment, for programs and for those that put it into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from midwatch.alignment.alignment_duty import AlignOptions, Findings
from midwatch.alignment.alignment_rules import ALIGN
from midwatch.journal.facts import DecisionMade, DutyEnded, NightBegan, NightEnded, OperatorSpoke
from midwatch.journal.promises import NightContext, Promise, check_alignment
from midwatch.journal.store import Event, facts_of
from midwatch.orders.reading import Night
from midwatch.reports import utc_text

__all__ = ["Alignment", "Stop", "conclude"]


@dataclass(frozen=True)
class Stop:
    """Why an alignment ended before it was done; ``by_hand``: because the person wanted it."""

    at_s: float
    why: str
    by_hand: bool


@dataclass(frozen=True)
class Alignment:
    """What came of it.

    Attributes:
        stopped: None where it came to its own end.
        not_put_away: what was left unparked or open, and why; empty where all is at rest.
        promises: checked from what was journaled.
    """

    night: Night
    options: AlignOptions
    began_s: float
    ended_s: float
    rehearsal: bool
    found: Findings
    stopped: Stop | None
    not_put_away: tuple[str, ...]
    promises: tuple[Promise, ...]

    @property
    def promises_kept(self) -> bool:
        """Whether none was broken, and the rig was left at rest."""
        return not self.not_put_away and all(p.ok is not False for p in self.promises)

    def content(self) -> dict[str, Any]:
        """The result for programs."""
        found, stopped = self.found, self.stopped
        return {
            "schema": "midwatch/polar/1",
            "site": self.night.site.name,
            "rig": self.night.rig.name,
            "rehearsal": self.rehearsal,
            "method": self.options.method,
            "began": utc_text(self.began_s),
            "ended": utc_text(self.ended_s),
            "measured": None if found.measured is None else asdict(found.measured),
            "guided": None if found.guided is None else asdict(found.guided),
            "confirmed": None if found.confirmed is None else asdict(found.confirmed),
            "stopped": None
            if stopped is None
            else {"at": utc_text(stopped.at_s), "why": stopped.why, "by_hand": stopped.by_hand},
            "not_put_away": list(self.not_put_away),
            "promises": [promise.model_dump() for promise in self.promises],
        }


def conclude(
    night: Night,
    options: AlignOptions,
    found: Findings,
    events: Sequence[Event],
    context: NightContext,
) -> Alignment:
    """Sum up an alignment that has ended, from what was journaled of it."""
    ((began_s, began),) = facts_of(events, NightBegan)
    return Alignment(
        night=night,
        options=options,
        began_s=round(began_s),
        ended_s=round(events[-1].at_utc_s),
        rehearsal=began.rehearsal,
        found=found,
        stopped=_stop(events),
        not_put_away=_left_out(events),
        promises=tuple(check_alignment(events, context)),
    )


def _stop(events: Sequence[Event]) -> Stop | None:
    """Return what ended an alignment before it was done."""
    ends = [(at, fact) for at, fact in facts_of(events, DutyEnded) if fact.duty == ALIGN]
    if ends and ends[-1][1].outcome == "done":
        return None
    people = [at for at, fact in facts_of(events, OperatorSpoke) if fact.who != "midwatch"]
    if people:
        return Stop(round(people[0]), "ended by hand", by_hand=True)
    if ends:
        return Stop(round(ends[-1][0]), ends[-1][1].reason or "it failed", by_hand=False)
    closing = [(at, fact) for at, fact in facts_of(events, DecisionMade) if fact.duty == "close"]
    at_s, why = (closing[0][0], closing[0][1].reason) if closing else (events[-1].at_utc_s, "")
    return Stop(round(at_s), why, by_hand=False)


def _left_out(events: Sequence[Event]) -> tuple[str, ...]:
    """Return what was left unparked or open, and why."""
    (_, end) = facts_of(events, NightEnded)[-1]
    if end.parked and end.closed:
        return ()
    failed = [fact.reason for _, fact in facts_of(events, DutyEnded) if fact.outcome == "failed"]
    what = " and ".join(
        text
        for rest, text in (
            (end.parked, "the mount is not parked"),
            (end.closed, "the roof is not closed"),
        )
        if not rest
    )
    return (f"{what}: {failed[-1]}" if failed and failed[-1] else what,)
