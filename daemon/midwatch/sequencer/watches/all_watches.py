"""What is looked at alongside the work, and is reported as a fault."""

from __future__ import annotations

from collections.abc import Collection

from midwatch.sequencer.duties import DutyContext
from midwatch.sequencer.facts import RigHistory
from midwatch.sequencer.watches.cooling import ColdWatch
from midwatch.sequencer.watches.fault_desk import FaultDesk
from midwatch.sequencer.watches.hidden_watch import HiddenWatch
from midwatch.sequencer.watches.light_watch import LightWatch
from midwatch.sequencer.watches.pace_watch import PaceWatch
from midwatch.sequencer.watches.time_watch import TimeWatch
from midwatch.sequencer.watches.track_watch import TrackWatch

__all__ = ["Watches"]


class Watches:
    """Links, stops of the mount, clocks that disagree, a warm or dark sensor, trees, the pace."""

    def __init__(self, context: DutyContext, rig_history: RigHistory, desk: FaultDesk) -> None:
        self._desk = desk
        self._tracking = TrackWatch(context, rig_history, desk)
        sky = (context.record, desk, context.observer, context.night.horizon)
        self._light, self._hidden = LightWatch(*sky), HiddenWatch(*sky, context.clock)
        self._time = TimeWatch(context.clock, context.rig, context.observer, desk)
        self._cold = ColdWatch(context, rig_history, desk)
        self._pace = PaceWatch(context.clock, context.rig, desk)

    def glance(self, spare: Collection[str]) -> None:
        """Look at what spoils the work under way; asked at every wake-up.

        Args:
            spare: devices that are being worked at just now.
        """
        self._desk.look_at_links(spare)
        self._tracking.look()

    def look(self) -> None:
        """Look at what shows more slowly; asked every minute."""
        self._light.look()
        self._hidden.look()
        self._time.look()
        self._cold.look()
        self._pace.look()
