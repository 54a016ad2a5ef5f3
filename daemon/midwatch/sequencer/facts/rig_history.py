"""What the journal says about where the rig was brought: sent where, prepared, closed up."""

from __future__ import annotations

from dataclasses import dataclass, field

from midwatch.journal.facts import (
    Centred,
    DutyBegan,
    DutyEnded,
    Fact,
    FaultBegan,
    FrameGraded,
    NightBegan,
    NightEnded,
    OperatorSpoke,
    RemedyTried,
    Sample,
)
from midwatch.journal.store import Event
from midwatch.sequencer.decision import NOT_COLD, RESTART, SILENT
from midwatch.sequencer.faults import is_of_link

# Light frames in a row that show no known field, after which the pointing counts as unknown.
# Fewer: a cloud costs a centring; more: frames are taken of anything.
_UNKNOWN = 2
# A field that is found so near to where it should be was not lost: its frames cannot be solved.
_NEAR_ARCSEC = 300.0
# Duties after which the mount no longer points where it was sent.
_AWAY = frozenset({"slew", "secure", "close", "halt", "calibrate"})
# Remedies after which a device may have forgotten its settings.
_AFRESH = (RESTART, "power_cycle")


@dataclass
class RigHistory:
    """Folded from events; a restart begins from the start, for the devices may have moved since.

    Attributes:
        target: what the mount was last sent to, or None.
        connected: this run of the daemon has brought the devices up.
        prepared: this run of the daemon has made the camera ready.
        putting_away: this run of the daemon has begun to close the rig for good.
        closed_up: the rig was brought to rest for good.
        closing: why the night was ended, by a person or by a rule, or None.
        drifted_arcsec: how far an unguided frame has shown the target from where it was centred.
        astray_arcsec: the same of a guided frame; dithers are no matter, a mount that was at
            rest, and then was guided on other stars, is.
        blur_60s_arcsec: that a minute without guiding would leave, as the guider said last.
        doubted: the mount was lost since the field was centred, or frames show no known field:
            where it points is unproved.
    """

    target: str | None = None
    connected: bool = False
    prepared: bool = False
    putting_away: bool = False
    closed_up: bool = False
    closing: str | None = None
    doubted: bool = False
    drifted_arcsec: float = 0.0
    astray_arcsec: float = 0.0
    blur_60s_arcsec: float | None = None
    # Faults, and whose they are.
    _faulty: dict[str, str] = field(default_factory=dict)
    _duty: DutyBegan | None = None
    # Light frames in a row that could not be solved, and whether that is usual here.
    _unknown: int = 0
    _unsolvable: bool = False
    _ended_before: bool = False

    def apply(self, event: Event) -> None:
        """Take in one event."""
        fact = event.fact
        self._learn(fact)
        if isinstance(fact, NightBegan):
            self.target, self.connected, self.prepared = None, False, False
            self.putting_away = self.closed_up = False
            if self._ended_before:
                # An ended night that is started again is to go on: the order to close is fulfilled.
                self.closing = None
            self._ended_before = False
        elif isinstance(fact, NightEnded):
            self._ended_before = True
        elif isinstance(fact, DutyBegan):
            self._duty = fact
            if fact.duty == "slew":
                self._unknown, self._unsolvable = 0, False
            if fact.duty in _AWAY:
                self.target = None
            if fact.duty == "close":
                # It warms the camera even where the rest fails: darks after it are worthless.
                self.prepared, self.putting_away = False, True
        elif isinstance(fact, DutyEnded) and self._duty is not None:
            self._ended(self._duty, fact.outcome == "done")
        elif isinstance(fact, OperatorSpoke) and fact.command == "close":
            self.closing = f"{fact.who} ended the night: {fact.why or 'no reason given'}"

    def _learn(self, fact: Fact) -> None:
        """Take in what is known of where the field is, and of what has to be made ready again."""
        if isinstance(fact, Centred) and fact.ok:
            near = (fact.offset_before_arcsec or 0.0) <= _NEAR_ARCSEC
            self._unsolvable = near and self._unknown >= _UNKNOWN
            self._unknown = 0
            self.doubted, self.drifted_arcsec, self.astray_arcsec = False, 0.0, 0.0
        elif isinstance(fact, FrameGraded):
            self._look_at(fact)
        elif isinstance(fact, Sample) and fact.unguided_blur_60s_arcsec is not None:
            self.blur_60s_arcsec = fact.unguided_blur_60s_arcsec
        elif isinstance(fact, FaultBegan):
            self._faulty[fact.fault_id] = fact.device
            if (fact.device, fact.fault) == ("camera", NOT_COLD):
                self.prepared = False
            elif is_of_link(fact):
                # What was only silent, too: its host may have made it safe meanwhile.
                self._lost(fact.device, doubtful=fact.fault != SILENT)
        elif isinstance(fact, RemedyTried) and fact.outcome == "done" and fact.remedy in _AFRESH:
            self._lost(self._faulty.get(fact.fault_id), doubtful=True)

    def _lost(self, device: str | None, *, doubtful: bool) -> None:
        if device == "camera":
            self.prepared = False
        elif device == "mount" and doubtful:
            self.doubted = True

    def _look_at(self, frame: FrameGraded) -> None:
        """Take in where a light frame shows the target."""
        if frame.offset_arcsec is None:
            self._unknown += 1
            self.doubted = self.doubted or (self._unknown >= _UNKNOWN and not self._unsolvable)
            return
        self._unknown, self._unsolvable = 0, False
        if frame.guided:
            self.astray_arcsec = frame.offset_arcsec
        else:
            self.drifted_arcsec = frame.offset_arcsec

    def _ended(self, duty: DutyBegan, done: bool) -> None:
        if duty.duty == "slew" and done:
            self.target = str(duty.args.get("target"))
        elif duty.duty == "connect" and done:
            self.connected = True
        elif duty.duty == "prepare" and done:
            self.prepared = True
        elif duty.duty == "close" and done:
            self.closed_up = True
