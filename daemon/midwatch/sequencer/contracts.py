"""What plugins of the sequencer are: duties, lookouts, graders, notifiers.

Each is found through an entry-point group (``midwatch.duties``, ``midwatch.lookouts``,
``midwatch.graders``, ``midwatch.notifiers``) that names a class without constructor arguments.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Literal, Protocol

from midwatch.devices.models import (
    CameraState,
    FocuserState,
    GuiderState,
    MountState,
    WeatherState,
)
from midwatch.errors import RetryableError
from midwatch.journal.events import Cause, Grade
from midwatch.orders import GradingSettings

if TYPE_CHECKING:
    from midwatch.sequencer.context import DutyContext

Args = Mapping[str, str | int | float | bool | None]


class DutyFailedError(RetryableError):
    """A duty could not do its work.

    Attributes:
        device: which device (or "sky") stood in the way.
        fault: short constant name of the fault.
        message: what happened, with values and units, and what to try.
    """

    def __init__(self, device: str, fault: str, message: str) -> None:
        super().__init__(message)
        self.device = device
        self.fault = fault
        self.message = message


class Duty(Protocol):
    """One thing that the sequencer does.

    Attributes:
        name: by which orders and decisions call it.
        cause: under which its time is accounted, unless it says otherwise while it runs.
        repeatable: whether it may simply be done again after a crash in the middle of it.
    """

    name: ClassVar[str]
    cause: ClassVar[Cause]
    repeatable: ClassVar[bool]

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Do it, and return when done.

        Cancellation is the one way of interruption: leave things so that the next duty can begin.
        Raises `DutyFailedError` for what remedies may cure, other `MidwatchError` branches else.
        """


@dataclass(frozen=True, slots=True)
class View:
    """What a lookout may look at: an instant of the night.

    Attributes:
        now_s: POSIX seconds UTC.
        mount, camera, focuser, guider, weather: last states; None where there is none, or where
            the device is silent.
        weather_age_s: age of the weather readings; infinite where there are none.
        focused_at_s, focused_at_c, focused_hfr_px: of the last good focus run.
        recent_hfr_px: of the latest light frames since that run, oldest first.
        recent_stars: star counts of the latest light frames of the target, oldest first.
        size_ratios: star sizes of the light frames since that run, as multiples of what the first
            ones of the same target and filter lead to expect under the air mass and guiding of
            each; oldest first.
        settled_at_c: temperature at which the focuser was last put right, by a run or by
            following the temperature.
        defocus_percent: expected from the temperature, percent of the critical focus zone's total
            depth; None where it cannot be said.
        focus_learned: whether focus against temperature was learned well enough to be relied on;
            focus_verdict says what was learned.
        free_disk_gb: on the data folder.
        limit_in_s: seconds until the mount's present tracking meets a limit.
    """

    now_s: float
    mount: MountState | None = None
    camera: CameraState | None = None
    focuser: FocuserState | None = None
    guider: GuiderState | None = None
    weather: WeatherState | None = None
    weather_age_s: float = float("inf")
    focused_at_s: float | None = None
    focused_at_c: float | None = None
    focused_hfr_px: float | None = None
    recent_hfr_px: tuple[float, ...] = ()
    recent_stars: tuple[int, ...] = ()
    size_ratios: tuple[float, ...] = ()
    settled_at_c: float | None = None
    defocus_percent: float | None = None
    focus_learned: bool = False
    focus_verdict: str = ""
    free_disk_gb: float | None = None
    limit_in_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a lookout sees: a level in its own unit, or None when its data are missing."""

    level: float | None
    message: str


class Lookout(Protocol):
    """Something that watches a condition all night.

    Attributes:
        name: by which standing orders call it.
        unit: of its level.
        trip: level at which it trips, unless the orders say otherwise.
        clear: level at which it clears again; on the other side of ``trip`` as hysteresis.
        missing: what missing data mean, "unknown" leaves the state as it is, "tripped" is unsafe.
    """

    name: ClassVar[str]
    unit: ClassVar[str]
    trip: ClassVar[float]
    clear: ClassVar[float]
    missing: ClassVar[Literal["unknown", "tripped"]]

    def read(self, view: View) -> Reading:
        """Return the level now; pure and quick."""


@dataclass(frozen=True, slots=True)
class Light:
    """A light frame as a grader sees it; None where a value could not be measured.

    Attributes:
        exposure_s: as ordered.
        guided: whether the guider followed its star for the exposure.
        guide_rms_arcsec: of both axes, over this exposure; guide_rms_px likewise, image pixels.
        guide_lost_percent: of the exposure, without the guide star; None where guiding was off.
        elongation_pa_deg: position angle of the stars' long axis, east of north, 0 to 180.
        offset_arcsec: from the target; None where the field was not solved.
        airmass: at the middle of the exposure.
        sky_mag: surface brightness expected of a dark site under this Moon and Sun, V magnitudes a
            square arcsecond; only differences mean anything.
        full_scale_adu: at which a pixel is full.
        saturated_percent: of the pixels.
        sensor_off_c: temperature of the sensor above the set point; None without cooling.
    """

    target: str
    filter: str | None
    exposure_s: float
    guided: bool
    exposure_id: str = ""
    began_utc_s: float = 0.0
    gain: int = 0
    offset: int = 0
    binning: int = 1
    stars: int | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    offset_arcsec: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    noise_adu: float | None = None
    elongation_pa_deg: float | None = None
    guide_rms_px: float | None = None
    guide_lost_percent: float | None = None
    sky_mag: float | None = None
    sun_alt_deg: float | None = None
    moon_alt_deg: float | None = None
    full_scale_adu: int | None = None
    saturated_percent: float | None = None
    trails: int | None = None
    trail_length_px: float | None = None
    wind_ms: float | None = None
    sensor_off_c: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A grader's opinion; the worst opinion of all graders is the frame's grade.

    Attributes:
        reasons: why, the weightiest first; an accepted frame may have some too.
        star_share: stars beside what the other frames let expect, 1 is usual; None without them.
    """

    grade: Grade
    reasons: tuple[str, ...] = field(default=())
    star_share: float | None = None


class Grader(Protocol):
    """Judges light frames by the user's bounds and by the night's own other frames."""

    name: ClassVar[str]

    def grade(self, light: Light, others: tuple[Light, ...], bounds: GradingSettings) -> Verdict:
        """Return a verdict; pure and quick.

        Args:
            light: The frame.
            others: The accepted lights of the same target and setting, oldest first, without
                itself. When a frame is looked at again, later ones are among them.
            bounds: What the user set.
        """


class Supervisor(Protocol):
    """Whoever minds the processes of the drivers.

    Attributes:
        tell: called with (role, what happened) when a driver ended or was started again.
    """

    tell: Callable[[str, str], None]

    @property
    def roles(self) -> tuple[str, ...]:
        """The devices whose drivers are minded."""

    async def restart(self, role: str) -> None:
        """End the driver of a device and have it started anew."""


class Notifier(Protocol):
    """Tells people what happened."""

    name: ClassVar[str]

    async def notify(self, title: str, message: str, urgent: bool) -> None:
        """Pass a message on; failures are logged and never stop the night."""
