"""The world: everything that the next decision may depend on, at one instant, immutable.

All times are POSIX seconds UTC. Nothing in here reads a clock, a device or the journal; the
engine fills it in (see ``worldview``) and `decide` looks at nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from midwatch.sequencer.decision.duty_args import DutyArgs, NamedArgs, NoArgs
from midwatch.sky.mounts import MountGeometry, PierSide

SIDEREAL_DEG_PER_S = 360.98564736629 / 86400.0


@dataclass(frozen=True, slots=True)
class NightHours:
    """The fixed points of the night.

    Attributes:
        prepare_from_s: connect and cool from here.
        work_from_s: dark enough to slew, centre and focus.
        dusk_s: light frames from here.
        dawn_s: no light frame ends after this.
    """

    prepare_from_s: float
    work_from_s: float
    dusk_s: float
    dawn_s: float


@dataclass(frozen=True, slots=True)
class FrameNeed:
    """What is still wanted of one frame order; ``dither_due`` before the next of its frames."""

    index: int
    filter: str | None
    exposure_s: float
    remaining: int
    dither_due: bool = False


@dataclass(frozen=True, slots=True)
class TargetView:
    """The present state of a target.

    Attributes:
        windows: (from, to) in which light frames are allowed: dark, high enough, Moon far enough.
        reach: (from, to) in which the mount may point there, dark or not.
        transit_s: any instant at which its hour angle was zero.
        turns_deg_s: how fast its hour angle grows.
        blocked_until_s: not to be tried before this, with the reason.
        skipped: the operator wants no more of it tonight.
        hidden_until_s: something seems to be in the way: until then others come first.
        hidden_reason: what was seen.
    """

    name: str
    priority: int
    windows: tuple[tuple[float, float], ...]
    reach: tuple[tuple[float, float], ...]
    transit_s: float
    needs: tuple[FrameNeed, ...]
    turns_deg_s: float = SIDEREAL_DEG_PER_S
    blocked_until_s: float = 0.0
    blocked_reason: str = ""
    skipped: bool = False
    hidden_until_s: float = 0.0
    hidden_reason: str = ""

    def hour_angle_deg(self, at_s: float) -> float:
        """Return the hour angle in (-180, 180] degrees."""
        turned = (at_s - self.transit_s) * self.turns_deg_s
        return -((180.0 - turned) % 360.0 - 180.0)

    def next_at_hour_angle_s(self, ha_deg: float, after_s: float) -> float:
        """Return the first instant at or after ``after_s`` with this hour angle."""
        ahead = (ha_deg - self.hour_angle_deg(after_s)) % 360.0
        return after_s + ahead / self.turns_deg_s


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where the rig points.

    Attributes:
        target: what the mount was last sent to by us and still points at, or None.
        doubted: where it points is unproved since the field was centred.
        limit_at_s: when the present tracking would meet a limit; infinity when it will not.
        contrary_until_s: until then the mount is expected to go to the other side of its pier than
            it is sent to, as it did last.
    """

    parked: bool = True
    tracking: bool = False
    pier_side: PierSide = "unknown"
    target: str | None = None
    centred: bool = False
    doubted: bool = False
    limit_at_s: float = float("inf")
    limit: str = ""
    contrary_until_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Readiness:
    """What of the rig is ready; a device that the rig has not counts as ready.

    Attributes:
        putting_away: closing has begun: the camera is warmed.
    """

    connected: bool = False
    prepared: bool = False
    roof_open: bool = False
    roof_closed: bool = True
    has_roof: bool = False
    focused: bool = False
    has_guider: bool = False
    guiding: bool = False
    putting_away: bool = False
    closed_up: bool = False
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FocusView:
    """The present state of the focus.

    Attributes:
        since_s: when it was last found; None before the first run.
        after_flip: a refocus is ordered because the telescope was flipped since.
        strange_filters: filters for which the last run does not hold, their offsets being unknown.
        urgency: level over trip of the most urgent refocus rule that is not due yet; 1 is due.
        rule: its lookout; message: what that sees.
    """

    since_s: float | None = None
    after_flip: bool = False
    strange_filters: tuple[str, ...] = ()
    urgency: float = 0.0
    rule: str = ""
    message: str = ""


@dataclass(frozen=True, slots=True)
class Safety:
    """Whether the sky may be let in; ``since_s`` when that began."""

    safe: bool
    reason: str
    since_s: float = 0.0


@dataclass(frozen=True, slots=True)
class StandingDue:
    """A standing order whose lookout has tripped.

    Attributes:
        urgency: level over trip; 1 where that says nothing.
        args: of the duty ``do``.
    """

    when: str
    do: str
    at_once: bool
    message: str
    urgency: float = 1.0
    args: DutyArgs = field(default_factory=NoArgs)


@dataclass(frozen=True, slots=True)
class FaultView:
    """An open fault.

    Attributes:
        fault: its short name.
        since_s: when it began.
        remedy: what is tried next, at `again_at_s`, with its arguments; None for another attempt
            at the duty itself, and where nothing can be done.
        blocks: duties that must not be chosen while the fault is open.
        again_at_s: when it will be looked at again.
        given_up: every attempt has failed; only a person can help.
        held: it blocks as long as it is open, whatever the instant.
        background: its remedy is tried alongside the work, and not chosen by decisions.
        stops: duties under way that it keeps from coming to a good end.
        only_target: it says nothing of other targets, and blocks nothing for them.
    """

    fault_id: str
    device: str
    message: str
    remedy: NamedArgs | None = None
    blocks: tuple[str, ...] = ()
    again_at_s: float = 0.0
    given_up: bool = False
    held: bool = False
    background: bool = False
    stops: tuple[str, ...] = ()
    only_target: str | None = None
    fault: str = ""
    since_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Operator:
    """What people asked for."""

    paused: bool = False
    close: str | None = None


@dataclass(frozen=True, slots=True)
class CalibrationNeed:
    """A set of calibration frames that is still wanted.

    Attributes:
        sensor_c: of darks: how warm the lights were that they match; None where it is no matter.
    """

    frame: Literal["dark", "flat", "bias"]
    filter: str | None
    exposure_s: float
    gain: int
    offset: int
    binning: int
    remaining: int
    sensor_c: float | None = None


@dataclass(frozen=True, slots=True)
class Unguided:
    """How the night goes on while the rig's guider cannot guide.

    Attributes:
        longest_s: exposure that keeps stars round; shortest_s: that is never gone below.
        again_at_s: when guiding is tried again.
    """

    do: Literal["go_on", "rest", "close"] = "go_on"
    longest_s: float = float("inf")
    shortest_s: float = 0.0
    reason: str = ""
    again_at_s: float = 0.0


@dataclass(frozen=True, slots=True)
class World:
    """The snapshot from which the next decision is made.

    Attributes:
        mount: how the mount is built, with the limits of its axes.
        durations_s: what duties take here, learned; "expose" is the overhead of one exposure.
        margin_s: kept free before every limit.
        unguided: None where guiding is on, may be started, or is none of the rig's.
    """

    now_s: float
    hours: NightHours
    mount: MountGeometry
    safety: Safety
    pointing: Pointing
    ready: Readiness
    targets: tuple[TargetView, ...]
    operator: Operator = Operator()
    faults: tuple[FaultView, ...] = ()
    standing: tuple[StandingDue, ...] = ()
    calibration: tuple[CalibrationNeed, ...] = ()
    focus: FocusView = FocusView()
    durations_s: Mapping[str, float] = field(default_factory=dict)
    margin_s: float = 30.0
    unguided: Unguided | None = None

    def takes_s(self, duty: str) -> float:
        """Return the expected time of a duty, seconds."""
        return self.durations_s.get(duty, DEFAULT_DURATIONS_S.get(duty, 30.0))


# Before anything was learned. Too low: an exposure is begun that a limit then cuts short; too
# high: minutes before a limit are left unused.
DEFAULT_DURATIONS_S: dict[str, float] = {
    "connect": 10.0,
    "prepare": 900.0,
    "open": 60.0,
    "slew": 60.0,
    "centre": 40.0,
    "focus": 150.0,
    "guide": 40.0,
    "dither": 25.0,
    "flip": 120.0,
    "expose": 5.0,
    "secure": 120.0,
}
