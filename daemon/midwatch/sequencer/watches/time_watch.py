"""Whether clock, site and mount agree: two of three that do show which one is wrong.

The hour angle that a mount reports for where it points follows from its own clock and longitude.
Ours follows from our clock and the site file.
"""

from __future__ import annotations

import structlog

from midwatch.clock import Clock, SteadyClock
from midwatch.devices.client import RigClient
from midwatch.devices.contract.kinds import MountState
from midwatch.journal.facts import ClockAdopted
from midwatch.sequencer.decision import CLOCK_JUMPED, WRONG_HOUR_ANGLE
from midwatch.sequencer.watches.fault_desk import FaultDesk
from midwatch.sky import Observer

__all__ = ["TimeWatch", "disagreement_deg"]

_log = structlog.get_logger(__name__)

# Two minutes of time, or half a degree of longitude. Refraction, precession by another catalogue
# epoch and a state some seconds old stay below; what is above points the telescope elsewhere, and
# moves its limits.
_WITHIN_DEG = 0.5
# Nearer to a pole the hour angle says nothing: there mounts are parked.
_SURE_BELOW_DEC_DEG = 80.0
# A state older than this does not say what the mount shows now.
_FRESH_S = 60.0
# A parked mount cannot show that it was put right. Where little was wrong, the next slew is let ask
# after so long; its host and the daemon hold the limits by both hour angles. Sooner costs slews,
# later dark hours.
_LITTLE_DEG, _ASK_AFTER_S = 5.0, 900.0


def disagreement_deg(observer: Observer, mount: MountState, at_s: float) -> float:
    """Return how much larger the mount's hour angle is than ours, in (-180, 180] degrees.

    Args:
        observer: at the site.
        mount: its state.
        at_s: POSIX seconds at which it was reported.
    """
    ours_deg = observer.quick_at(at_s).altaz_ha(mount.ra_deg, mount.dec_deg, at_s).ha_deg
    return -((180.0 - (mount.hour_angle_deg - ours_deg)) % 360.0 - 180.0)


class TimeWatch:
    """Opens and closes the faults of clocks and sites; asked now and then."""

    def __init__(self, clock: Clock, rig: RigClient, observer: Observer, desk: FaultDesk) -> None:
        self._clock = clock
        self._rig = rig
        self._observer = observer
        self._desk = desk
        self._off_deg = 0.0
        self._asked_s = clock.mono()

    def look(self) -> None:
        """Compare what the clocks say."""
        mount, age_s = self._rig.mount.state, self._rig.mount.age_s()
        usable = mount is not None and _has_clock(mount) and age_s <= _FRESH_S
        clock = self._clock
        if isinstance(clock, SteadyClock):
            if clock.jump_s and mount is not None and usable and self._mount_follows(mount, age_s):
                _log.warning("clock_adopted", jump_s=clock.jump_s)
                self._desk.note(ClockAdopted(jump_s=round(clock.jump_s, 3)))
                clock.adopt()
            self._desk.hold("daemon", CLOCK_JUMPED, _jumped(clock.jump_s))
        if mount is not None and usable:
            # The state was made when it was reported, not now.
            self._off_deg = disagreement_deg(self._observer, mount, clock.unix_s() - age_s)
            self._asked_s = clock.mono()
            self._desk.hold("mount", WRONG_HOUR_ANGLE, _disagrees(self._off_deg))
        elif mount is not None and mount.parked and self._may_ask():
            self._desk.hold("mount", WRONG_HOUR_ANGLE, None)

    def _may_ask(self) -> bool:
        long_ago = self._clock.mono() - self._asked_s >= _ASK_AFTER_S
        return long_ago and abs(self._off_deg) <= _LITTLE_DEG

    def _mount_follows(self, mount: MountState, age_s: float) -> bool:
        """Return whether the mount's hour angle fits the new time of the machine and not the count.

        A mount that takes its time from the machine would follow any jump, but it has no reason to
        know of one in the middle of a night.
        """
        assert isinstance(self._clock, SteadyClock)
        counted_s = self._clock.unix_s() - age_s
        new_s = counted_s + self._clock.jump_s
        by_count = abs(disagreement_deg(self._observer, mount, counted_s))
        by_new = abs(disagreement_deg(self._observer, mount, new_s))
        return by_new <= _WITHIN_DEG < by_count


def _has_clock(mount: MountState) -> bool:
    """Return whether a state says anything of the mount's clock and site."""
    at_rest = mount.connected and not mount.slewing
    return at_rest and abs(mount.dec_deg) < _SURE_BELOW_DEC_DEG


def _jumped(jump_s: float) -> str | None:
    if not jump_s:
        return None
    way = "ahead" if jump_s > 0 else "back"
    return (
        f"the clock of this machine has jumped {way} by {abs(jump_s):.0f} s; the night goes on by "
        "counted time; set the clock, or leave it to the time service"
    )


def _disagrees(off_deg: float) -> str | None:
    if abs(off_deg) <= _WITHIN_DEG:
        return None
    way, side = ("ahead", "east") if off_deg > 0 else ("behind", "west")
    return (
        f"the mount's hour angle is {abs(off_deg):.2f} deg from that of the site file and our "
        f"clock: its clock is {abs(off_deg) * 4.0:.1f} min {way}, or its longitude "
        f"{abs(off_deg):.2f} deg too far {side}; set the mount's date, time, zone and site; no "
        "slew is made meanwhile"
    )
