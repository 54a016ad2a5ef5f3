"""Whether the mount follows the sky as long as it was not asked to stop."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from midwatch.devices.contract import right_ascensions_deg
from midwatch.devices.contract.kinds import MountState
from midwatch.journal.facts import LimitHeld
from midwatch.sequencer.decision import NOT_TRACKING
from midwatch.sequencer.duties import DutyContext
from midwatch.sequencer.facts import RigHistory
from midwatch.sequencer.watches.fault_desk import FaultDesk

__all__ = ["TrackWatch"]

# Hosts stop a mount shortly before a limit. One that would have met one within this time was
# stopped there.
_SOON_S = 60.0


class TrackWatch:
    """Opens the fault of a mount that stops by itself, and closes it; asked at every wake-up.

    Journals the limits at which the mount's host has stopped it.
    """

    def __init__(self, context: DutyContext, rig_history: RigHistory, desk: FaultDesk) -> None:
        self._context = context
        self._rig_history = rig_history
        self._desk = desk
        context.rig.mount.on_event(self._hear)

    def look(self) -> None:
        """Compare what the mount does with where it was sent."""
        mount = self._context.rig.mount
        state = mount.state
        if mount.down or state is None or not state.connected:
            return  # that is the fault of its link
        if state.tracking or state.parked:
            self._desk.hold("mount", NOT_TRACKING, None)
        elif self._rig_history.target is not None and not state.slewing:
            self._desk.hold("mount", NOT_TRACKING, self._stopped(self._rig_history.target, state))

    def _hear(self, name: str, facts: Mapping[str, Any]) -> None:
        if name == "limit_held":
            self._context.note(LimitHeld(device="mount", message=str(facts.get("message"))))

    def _stopped(self, target: str, mount: MountState) -> str:
        limit = self._limit(mount)
        if mount.fault is None and limit is not None:
            return f"the mount was stopped at a limit by its own host: {limit}"
        why = mount.fault or "it does not say why; look at its power, its cables and its own limits"
        return f"the mount has stopped tracking {target} although it was not asked to: {why}"

    def _limit(self, mount: MountState) -> str | None:
        """Return the limit that the mount would have met soon, or None."""
        context, soon_s = self._context, self._context.now_s + _SOON_S
        for ra_deg in right_ascensions_deg(context.observer, mount, context.now_s):
            breach = context.limits.breach(ra_deg, mount.dec_deg, soon_s, mount.pier_side)
            if breach is not None:
                return breach.message
        return None
