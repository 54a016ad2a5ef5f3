"""What can happen in a night: one frozen model for each kind of journal event.

The journal stores ``kind`` and the JSON of the model. Everything that Midwatch knows after a
restart, and everything that it reports, is folded from these. Times inside facts are POSIX
seconds UTC; the time of the event itself is next to it in the journal.
"""

from __future__ import annotations

from typing import Literal

from pydantic import JsonValue

from midwatch.journal.facts.camera_facts import CalibrationSkipped, SetPointChosen
from midwatch.journal.facts.fact import Fact, Grade, Outcome
from midwatch.journal.facts.frame_facts import (
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameLost,
    FrameRead,
    FrameRegraded,
    SensorMeasured,
)
from midwatch.journal.facts.outside_facts import (
    ClockAdopted,
    HostAccount,
    LeaseUnheard,
    OrdersChanged,
)
from midwatch.sky import Fixed, Motion

__all__ = [
    "FACTS", "Activity", "CalibrationSkipped", "Cause", "Centred", "ClockAdopted", "DecisionMade",
    "Dithered", "DutyBegan", "DutyEnded", "Fact", "FaultBegan", "FaultEnded", "Flipped",
    "FocusFollowed", "FocusRun", "FrameBegun", "FrameFiled", "FrameGraded", "FrameLost",
    "FrameRead", "FrameRegraded", "Grade", "GuidingStarted", "HostAccount", "LeaseUnheard",
    "LimitHeld", "LookoutChanged", "MotionEnded", "NightBegan", "NightEnded", "Notice",
    "OperatorSpoke", "OrdersChanged", "Outcome", "RemedyTried", "Sample", "SensorMeasured",
    "SetPointChosen", "TargetPlanned", "TiesShuffled", "WeatherTurned",
]  # fmt: skip


# Why a second between dusk and dawn was spent. Exactly one holds at any instant.
Cause = Literal[
    "open_shutter", "read_out", "slewing", "centring", "focusing", "guiding", "dithering",
    "flipping", "changing_filter", "waiting_for_dark", "waiting_for_target",
    "waiting_for_meridian", "no_target_left", "preparing", "opening", "closing",
    "calibrating", "unsafe", "clouds", "fault", "paused", "standing_order", "deciding",
    "daemon_down", "not_started", "finished", "closed_by_hand",
]  # fmt: skip


class NightBegan(Fact):
    """The daemon took up these orders; written again after a restart (``resumed``).

    ``holder`` is the name under which it holds the lease from then on.
    """

    kind = "night_began"
    night: str
    site: str
    rig: str
    evening: str
    seed: int | None
    rehearsal: bool
    sky_mode: str | None
    dusk_utc_s: float
    dawn_utc_s: float
    orders_sha256: str
    resumed: bool = False
    version: str
    holder: str = ""


class TiesShuffled(Fact):
    """What is due at the same instant happens in an order drawn from this seed (in rehearsals)."""

    kind = "ties_shuffled"
    seed: int


class NightEnded(Fact):
    """The night is over; ``how`` says why it ended."""

    kind = "night_ended"
    how: str
    parked: bool
    warm: bool
    closed: bool


class TargetPlanned(Fact):
    """What the sky allows for a target tonight."""

    kind = "target_planned"
    target: str
    ra_deg: float
    dec_deg: float
    priority: int
    wanted: tuple[tuple[str | None, float, int], ...]
    windows_utc_s: tuple[tuple[float, float], ...]
    transit_utc_s: float | None
    note: str | None = None

    @property
    def motion(self) -> Motion:
        """Where the target is at any time."""
        return Fixed(self.ra_deg, self.dec_deg)


class Activity(Fact):
    """From now on time goes to this cause."""

    kind = "activity"
    cause: Cause
    detail: str | None = None


class DecisionMade(Fact):
    """What is done next, why, and what was ruled out (option, reason)."""

    kind = "decision"
    duty: str
    args: dict[str, JsonValue]
    rule: str
    reason: str
    ruled_out: tuple[tuple[str, str], ...] = ()


class DutyBegan(Fact):
    """Intent: a duty is about to be performed."""

    kind = "duty_began"
    duty: str
    args: dict[str, JsonValue]


class DutyEnded(Fact):
    """Outcome of a duty; ``reason`` says why it failed or who cancelled it."""

    kind = "duty_ended"
    duty: str
    outcome: Outcome
    reason: str | None = None
    took_s: float


class FocusRun(Fact):
    """A focus run with its samples; ``best_position`` is None when nothing was found.

    Attributes:
        positions, hfr_px, hfr_sigma_px: of the frames with stars, in order; spoiled says by what
            each was spoiled, or is empty.
        exposures: all frames that the run took, those without stars and the confirmation too.
        coarse: it began so far off that focus had to be found first.
        quality: share of the scatter that the curve explains, 0 to 1.
        critical_zone_steps: total depth of the critical focus zone, 4.88 lambda N^2.
        confirmed_hfr_px: of the frame at the best position.
        foretold_position: where the focus model expected it, before the run; what makes it trusted.
        foretold_sigma_steps: with what uncertainty.
    """

    kind = "focus_run"
    positions: tuple[int, ...]
    hfr_px: tuple[float, ...]
    filter: str | None
    temperature_c: float | None
    ok: bool
    reason: str
    trigger: str
    best_position: int | None
    uncertainty_steps: float | None
    best_hfr_px: float | None
    hfr_sigma_px: tuple[float, ...] = ()
    spoiled: tuple[str, ...] = ()
    exposures: int = 0
    coarse: bool = False
    quality: float | None = None
    critical_zone_steps: float | None = None
    confirmed_hfr_px: float | None = None
    foretold_position: float | None = None
    foretold_sigma_steps: float | None = None


class FocusFollowed(Fact):
    """Between runs the focuser went after the learned temperature, from one place to another."""

    kind = "focus_followed"
    from_position: int
    position: int
    filter: str | None
    temperature_c: float
    slope_steps_per_c: float
    lag_min: float | None = None


class Centred(Fact):
    """The field was solved and brought within tolerance (or not).

    ``method`` is how the first solution was found (near, wide, scale, blind); ``diagnosis`` a short
    constant name of what was wrong, also of what did not keep the field from being centred.
    """

    kind = "centred"
    target: str
    ok: bool
    attempts: int
    error_arcsec: float | None
    rotation_deg: float | None
    scale_arcsec: float | None
    reason: str | None = None
    method: str | None = None
    offset_before_arcsec: float | None = None
    exposures_s: tuple[float, ...] = ()
    filter: str | None = None
    stars: int | None = None
    background_adu: float | None = None
    rotation_error_deg: float | None = None
    diagnosis: str | None = None


class Flipped(Fact):
    """A meridian flip was done (or failed)."""

    kind = "flipped"
    target: str
    ok: bool
    hour_angle_deg: float
    from_side: str
    to_side: str


class Dithered(Fact):
    """The field was shifted: by the guider's target, or without guiding by the mount."""

    kind = "dithered"
    east_arcsec: float
    north_arcsec: float
    settle_s: float
    by: Literal["guider", "mount"] = "guider"


class GuidingStarted(Fact):
    """Guiding is on and settled (or could not be had)."""

    kind = "guiding_started"
    ok: bool
    rms_arcsec: float | None
    reason: str | None = None


class Sample(Fact):
    """Slow curves of the night, for the report; None where not known."""

    kind = "sample"
    air_c: float | None = None
    sensor_c: float | None = None
    cloud_percent: float | None = None
    wind_ms: float | None = None
    guide_rms_ra_arcsec: float | None = None
    guide_rms_dec_arcsec: float | None = None
    focus_position: int | None = None
    altitude_deg: float | None = None
    unguided_blur_60s_arcsec: float | None = None
    focuser_c: float | None = None


class LookoutChanged(Fact):
    """A lookout tripped, cleared or lost its data."""

    kind = "lookout"
    lookout: str
    status: Literal["clear", "tripped", "unknown"]
    level: float | None
    message: str


class FaultBegan(Fact):
    """Something is wrong with a device or service.

    ``duty``, ``target`` and ``filter`` are what it held up.
    """

    kind = "fault_began"
    fault_id: str
    device: str
    fault: str
    message: str
    duty: str | None = None
    target: str | None = None
    filter: str | None = None


class RemedyTried(Fact):
    """One rung of the ladder was tried against a fault."""

    kind = "remedy_tried"
    fault_id: str
    remedy: str
    attempt: int
    outcome: Outcome
    reason: str | None = None


class FaultEnded(Fact):
    """The fault has gone."""

    kind = "fault_ended"
    fault_id: str
    how: str


class OperatorSpoke(Fact):
    """A person gave an order by hand; ``target`` is what a skip is about."""

    kind = "operator"
    command: str
    who: str
    why: str | None
    target: str | None = None


class LimitHeld(Fact):
    """A limit kept something from being done, or a device stopped itself at one."""

    kind = "limit_held"
    device: str
    message: str


class MotionEnded(Fact):
    """Where the mount was when a motion or a stretch of tracking ended; proof for the promises."""

    kind = "motion_ended"
    what: str
    alt_deg: float
    horizon_deg: float
    hour_angle_deg: float
    pier_side: str
    sun_distance_deg: float | None
    within_limits: bool
    message: str | None = None


class WeatherTurned(Fact):
    """A reading is beyond a limit of the site (``over``), or none is any more."""

    kind = "weather_turned"
    over: bool
    reason: str


class Notice(Fact):
    """Anything else that a person should be able to read afterwards."""

    kind = "notice"
    message: str


FACTS: dict[str, type[Fact]] = {
    fact.kind: fact
    for fact in (
        NightBegan, NightEnded, TargetPlanned, Activity, DecisionMade, DutyBegan, DutyEnded,
        FrameBegun, FrameRead, FrameFiled, FrameGraded, FrameRegraded, SensorMeasured, FrameLost,
        FocusRun, FocusFollowed, Centred,
        Flipped, Dithered, GuidingStarted, Sample, LookoutChanged, FaultBegan, RemedyTried,
        FaultEnded, OperatorSpoke, LimitHeld, MotionEnded, WeatherTurned, Notice, OrdersChanged,
        HostAccount, LeaseUnheard, ClockAdopted, TiesShuffled, SetPointChosen, CalibrationSkipped,
    )
}  # fmt: skip
