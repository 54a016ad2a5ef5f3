"""Whether something near the horizon hides targets: for the journal, and for the horizon seen."""

from __future__ import annotations

from midwatch.clock import Clock
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.sequencer.decision import HIDDEN
from midwatch.sequencer.facts import dark_elsewhere, hidden_now
from midwatch.sequencer.watches.fault_desk import FaultDesk
from midwatch.sky import Horizon, Observer

__all__ = ["HiddenWatch"]


class HiddenWatch:
    """Opens a fault for each target that lights show to be hidden; asked now and then.

    Centring opens it as well, and closes it when the target is seen. It is closed here when other
    directions turn out to be as dark.
    """

    def __init__(
        self,
        record: NightRecord,
        desk: FaultDesk,
        observer: Observer,
        horizon: Horizon,
        clock: Clock,
    ) -> None:
        self._record = record
        self._desk = desk
        self._observer = observer
        self._horizon = horizon
        self._clock = clock

    def look(self) -> None:
        """Judge every target of the night."""
        known = {
            fault.began.target: fault
            for fault in self._record.open_faults()
            if fault.began.fault == HIDDEN
        }
        for target in self._record.planned:
            fault = known.get(target)
            if fault is not None:
                self._doubt(target, fault)
                continue
            hidden = hidden_now(self._record, target, self._observer, self._horizon)
            if hidden.until_s > self._clock.unix_s():
                others = "; other targets come first" if len(self._record.planned) > 1 else ""
                message = f"{target}: {hidden.reason}{others}"
                self._desk.open("sky", HIDDEN, message, "centre", target)

    def _doubt(self, target: str, fault: FaultRecord) -> None:
        tried_s = fault.last_tried_utc_s or fault.began_at_utc_s
        if dark_elsewhere(self._record, target, tried_s, self._observer, self._horizon):
            self._desk.close(fault, "it is as dark in other directions")
