"""What a lookout is: it watches one condition all night and reports its level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal, Protocol

from midwatch.devices.contract.kinds import (
    CameraState,
    FocuserState,
    GuiderState,
    MountState,
    WeatherState,
)

__all__ = ["Lookout", "Reading", "View"]


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
