"""Whether the machine keeps up with scaled time; other time asks nothing of it."""

from __future__ import annotations

import structlog

from midwatch.clock import Clock
from midwatch.devices.client import RigClient
from midwatch.journal.facts import Notice
from midwatch.sequencer.watches.fault_desk import FaultDesk

__all__ = ["PaceWatch"]

_log = structlog.get_logger(__name__)

# A heartbeat that comes so late by the wall clock was kept waiting by the machine: half of what
# devices are allowed. Less: a moment of other work; more: the first device is already given up.
_LATE_WALL_S = 1.0
# So often devices must have been late and back again: what is late once and for good is in trouble
# of its own, and a single stall is no pace.
_TIMES = 3


class PaceWatch:
    """Says once a night that scaled time runs too fast for the machine; asked now and then."""

    def __init__(self, clock: Clock, rig: RigClient, desk: FaultDesk) -> None:
        self._clock = clock
        self._rig = rig
        self._desk = desk
        self._times = 0
        self._was_late = False
        self._worst_wall_s = 0.0

    def look(self) -> None:
        """Look at how late the devices' heartbeats are."""
        speed = self._clock.speed
        if self._clock.virtual or speed <= 1.0 or self._times >= _TIMES:
            return
        devices = (device for device in self._rig.devices.values() if device.state is not None)
        late_wall_s = max(((d.age_s() - d.heartbeat_s) / speed for d in devices), default=0.0)
        late = late_wall_s > _LATE_WALL_S
        if late:
            self._worst_wall_s = max(self._worst_wall_s, late_wall_s)
        ended, self._was_late = self._was_late and not late, late
        self._times += ended
        if ended and self._times == _TIMES:
            message = too_fast(speed, self._worst_wall_s)
            _log.warning("pace_too_high", speed=speed, late_s=round(self._worst_wall_s, 1))
            self._desk.note(Notice(message=message))


def too_fast(speed: float, late_wall_s: float) -> str:
    """Say that devices answer late, and which speed to choose."""
    slower = max(1.0, speed * _LATE_WALL_S / (4.0 * late_wall_s))
    return (
        f"this machine does not keep up with {speed:g} times real time: devices report up to "
        f"{late_wall_s:.1f} s late by the wall clock, which is {late_wall_s * speed:.0f} s of "
        f"this night, and may be taken for silent; run it with --speed {slower:.0f}, or with "
        "--sky fast"
    )
