"""What plugins of the sequencer are: duties, lookouts, graders, notifiers.

Each is found through an entry-point group (``midwatch.duties``, ``midwatch.lookouts``,
``midwatch.graders``, ``midwatch.notifiers``) that names a class without constructor arguments.
"""

from __future__ import annotations

from collections.abc import Mapping
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
    """A light frame as a grader sees it; None where a value could not be measured."""

    target: str
    filter: str | None
    exposure_s: float
    guided: bool
    stars: int | None = None
    hfr_px: float | None = None
    fwhm_arcsec: float | None = None
    elongation: float | None = None
    background_adu: float | None = None
    guide_rms_arcsec: float | None = None
    offset_arcsec: float | None = None
    altitude_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """A grader's opinion; the worst opinion of all graders is the frame's grade."""

    grade: Grade
    reasons: tuple[str, ...] = field(default=())


class Grader(Protocol):
    """Judges light frames against the night's own earlier ones."""

    name: ClassVar[str]

    def grade(self, light: Light, earlier: tuple[Light, ...]) -> Verdict:
        """Return a verdict; ``earlier`` are the accepted lights of the same target and filter."""


class Notifier(Protocol):
    """Tells people what happened."""

    name: ClassVar[str]

    async def notify(self, title: str, message: str, urgent: bool) -> None:
        """Pass a message on; failures are logged and never stop the night."""
