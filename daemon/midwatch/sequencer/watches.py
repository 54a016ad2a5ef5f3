"""What is looked at every minute beside the work, and is told as a fault."""

from __future__ import annotations

from midwatch.sequencer.aim import Aim
from midwatch.sequencer.context import DutyContext
from midwatch.sequencer.cooling import ColdWatch
from midwatch.sequencer.faultdesk import FaultDesk
from midwatch.sequencer.timewatch import TimeWatch

__all__ = ["Watches"]


class Watches:
    """Clocks and sites that disagree, and a sensor that grows warm."""

    def __init__(self, context: DutyContext, aim: Aim, desk: FaultDesk) -> None:
        self._time = TimeWatch(context.clock, context.rig, context.observer, desk)
        self._cold = ColdWatch(context, aim, desk)

    def look(self) -> None:
        """Have each look."""
        self._time.look()
        self._cold.look()
