"""Reports to the person at the mount what an alignment does that they did not ask for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from midwatch.alignment.alignment_rules import ALIGN
from midwatch.instants import in_zone
from midwatch.journal.facts import DecisionMade, DutyEnded, OperatorSpoke
from midwatch.journal.store import Event

__all__ = ["Narrator"]

_FAILED = {
    "connect": "the devices do not come up",
    "open": "the roof does not open",
    ALIGN: "the alignment cannot go on",
}


@dataclass
class Narrator:
    """Reads what is journaled and reports what matters; every motion is shown before it begins.

    Attributes:
        inform: shows a line.
        zone: of the site.
        has_roof: whether there is one to open and close.
    """

    inform: Callable[[str], None]
    zone: tzinfo
    has_roof: bool
    _begun: bool = field(default=False, init=False)
    _stopping: bool = field(default=False, init=False)

    def hear(self, event: Event) -> None:
        """Take in one event."""
        fact, at = event.fact, self._clock(event.at_utc_s)
        if isinstance(fact, DecisionMade):
            self._decided(fact, at)
        elif isinstance(fact, DutyEnded) and fact.outcome == "failed":
            self._failed(fact, at)
        elif isinstance(fact, DutyEnded) and (fact.duty, fact.outcome) == ("close", "done"):
            roof = ", the roof is closed" if self.has_roof else ""
            self._inform(f"{at}  the mount is parked{roof}")
        elif isinstance(fact, OperatorSpoke) and fact.who != "midwatch":
            self._inform(f"{at}  you end the alignment")

    def _decided(self, decision: DecisionMade, at: str) -> None:
        if decision.duty == "secure" and not self._begun:
            self._inform(f"{at}  {decision.reason}: {self._puts_away()}")
        elif decision.duty == "secure" and decision.args.get("roof") == "leave":
            self._stops(
                at,
                "the roof does not say that it is open",
                "the mount parks now, and the roof stays as it is until then: keep clear of both; "
                "look whether the roof is open, and at its sensor",
            )
        elif decision.duty == "secure":
            self._stops(at, decision.reason, self._puts_away())
        elif decision.duty == "halt":
            self._stops(at, decision.reason, f"the mount stops; then {self._puts_away()}")
        elif decision.duty == "close" and not self._stopping:
            self._stopping = True
            self._inform(f"{at}  {self._puts_away()}")
        elif decision.duty == ALIGN:
            self._begun = True
        elif decision.duty == "open":
            self._inform(f"{at}  the roof opens now: keep clear of it")
        elif decision.duty == "wait" and decision.rule == "safety":
            self._inform(f"{at}  nothing is opened yet: {decision.reason}; looking again")

    def _stops(self, at: str, what: str, then: str) -> None:
        self._stopping = True
        self._inform(f"{at}  STOPPED: {what}; {then}")

    def _failed(self, ended: DutyEnded, at: str) -> None:
        if ended.duty in ("secure", "close"):
            self._inform(
                f"{at}  NOT PUT AWAY: {ended.reason}; Midwatch tries again. See to it if that is "
                "safe; Ctrl-C leaves it to you"
            )
        elif ended.duty in _FAILED:
            self._inform(f"{at}  STOPPED: {_FAILED[ended.duty]}: {ended.reason}")

    def _puts_away(self) -> str:
        roof = ", then the roof closes: keep clear of both" if self.has_roof else ": keep clear"
        return f"the mount parks now{roof}"

    def _inform(self, line: str) -> None:
        self.inform(in_zone(line, self.zone))

    def _clock(self, utc_s: float) -> str:
        return f"{datetime.fromtimestamp(utc_s, self.zone):%H:%M:%S}"
