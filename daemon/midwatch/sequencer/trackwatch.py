"""Whether the mount follows the sky as long as nobody told it to stop."""

from __future__ import annotations

from midwatch.devices.models import MountState
from midwatch.devices.rig import RigClient
from midwatch.sequencer.aim import Aim
from midwatch.sequencer.faultdesk import FaultDesk
from midwatch.sequencer.faults import NOT_TRACKING

__all__ = ["TrackWatch"]


class TrackWatch:
    """Opens the fault of a mount that stops by itself, and closes it; asked at every stir."""

    def __init__(self, rig: RigClient, aim: Aim, desk: FaultDesk) -> None:
        self._rig = rig
        self._aim = aim
        self._desk = desk

    def look(self) -> None:
        """Compare what the mount does with where it was sent."""
        mount = self._rig.mount
        state = mount.state
        if mount.down or state is None or not state.connected:
            return  # that is the fault of its link
        if state.tracking or state.parked:
            self._desk.hold("mount", NOT_TRACKING, None)
        elif self._aim.target is not None and not state.slewing:
            self._desk.hold("mount", NOT_TRACKING, _stopped(self._aim.target, state))


def _stopped(target: str, mount: MountState) -> str:
    why = mount.fault or "it does not say why; look at its power, its cables and its own limits"
    return f"the mount has stopped tracking {target} although nobody told it to: {why}"
