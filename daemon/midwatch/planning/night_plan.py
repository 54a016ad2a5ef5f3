"""What a night allows: its fixed hours, and for each target the windows in which it can be imaged.

Computed once, before dusk, from ephemerides alone. Weather and faults are the sequencer's business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from midwatch.errors import InputError
from midwatch.orders.reading import Night, ResolvedTarget
from midwatch.sky import (
    SIDEREAL_DEG_PER_S,
    Horizon,
    NightEvents,
    Observer,
    Window,
    night_events,
    transit_utc_s,
    visible_windows,
)

# Work (slew, centre, focus) may begin when the Sun is this much higher than for light frames. Too
# small: the first dark minutes go into focusing; too large: too few stars show for solving.
_EARLY_WORK_DEG = 6.5
_EARLY_WORK_MAX_S = 2400.0
# Time for connecting, checking and cooling before work can begin.
_PREPARE_S = 2400.0


class NoDarknessError(InputError):
    """The Sun does not go down far enough in this night."""


class NothingToImageError(InputError):
    """No target of the orders can be imaged in this night."""


@dataclass(frozen=True)
class TargetPlan:
    """What the night allows for one target.

    Attributes:
        windows: in which light frames are allowed.
        reach: in which the mount may point at it between preparation and dawn.
        transit_utc_s: the upper transit nearest to the middle of the night.
        highest_alt_deg: greatest altitude inside the windows; None without a window.
        usable_s: total length of the windows.
        wanted_s: total exposure ordered.
        note: what is in the way, in words, or None.
    """

    target: ResolvedTarget
    windows: tuple[Window, ...]
    reach: tuple[Window, ...]
    transit_utc_s: float
    highest_alt_deg: float | None
    usable_s: float
    wanted_s: float
    note: str | None

    @property
    def turns_deg_s(self) -> float:
        """How fast the hour angle of the target grows, which may move among the stars."""
        return SIDEREAL_DEG_PER_S - self.target.motion.ra_rate_deg_s(self.transit_utc_s)


@dataclass(frozen=True)
class NightPlan:
    """One night's plan; dusk and dawn are whole seconds."""

    evening: date
    events: NightEvents
    prepare_from_s: float
    work_from_s: float
    dusk_s: float
    dawn_s: float
    targets: tuple[TargetPlan, ...]

    @property
    def dark_s(self) -> float:
        """Length of the dark window, seconds."""
        return self.dawn_s - self.dusk_s


def plan_night(night: Night, evening: date) -> NightPlan:
    """Compute what the night of an evening allows for these orders.

    Raises:
        NoDarknessError: the Sun stays higher than the orders allow for light frames.
    """
    observer = Observer(night.place)
    events = night_events(observer, evening, night.site.timezone)
    below = night.orders.sun_below_deg
    dark = events.dark_window(-below)
    if dark is None:
        raise NoDarknessError(
            f"{night.paths['orders']}: sun_below_deg: on the evening of {evening} the Sun only "
            f"goes down to {events.lowest_sun_alt_deg:.1f} deg at {night.site.name}, so it is "
            f"never {below:g} deg below the horizon; write a smaller value (12 suits narrow-band "
            f"filters) or another evening"
        )
    dusk, dawn = math.ceil(dark[0]), math.floor(dark[1])
    early = events.dark_window(-max(6.0, below - _EARLY_WORK_DEG)) or dark
    work_from = max(early[0], dusk - _EARLY_WORK_MAX_S)
    prepare_from = work_from - _PREPARE_S
    hours = (prepare_from, float(dusk), float(dawn))
    targets = tuple(_plan_target(night, observer, target, hours) for target in night.targets)
    return NightPlan(
        evening=evening,
        events=events,
        prepare_from_s=prepare_from,
        work_from_s=work_from,
        dusk_s=float(dusk),
        dawn_s=float(dawn),
        targets=targets,
    )


def require_a_target(night: Night, plan: NightPlan) -> None:
    """Make sure that the night allows at least one frame of one target.

    Raises:
        NothingToImageError: with what is in the way of each target, and what to change.
    """
    if any(target.windows for target in plan.targets):
        return
    obstacles = "; ".join(f"{target.target.name}: {target.note}" for target in plan.targets)
    raise NothingToImageError(
        f"{night.paths['orders']}: targets: nothing can be imaged on the evening of "
        f"{plan.evening} at {night.site.name}: {obstacles}"
    )


def _plan_target(
    night: Night, observer: Observer, target: ResolvedTarget, hours: tuple[float, float, float]
) -> TargetPlan:
    prepare_from, dusk, dawn = hours
    limits = night.rig.limits
    horizon = night.horizon.raised(limits.horizon_margin_deg)
    order = target.order
    lowest = max(limits.min_altitude_deg, order.min_altitude_deg or 0.0)
    place, mount = (observer, target.motion), night.rig.geometry
    far_deg = order.moon_distance_deg
    windows = visible_windows(*place, dusk, dawn, horizon, lowest, far_deg, mount)
    reach = visible_windows(
        *place, prepare_from, dawn, horizon, limits.min_altitude_deg, geometry=mount
    )
    middle = (dusk + dawn) / 2.0
    transit = transit_utc_s(*place, middle - 43200.0)
    shortest = min(frame.exposure_s for frame in order.frames)
    kept = tuple(w for w in windows if w.duration_s > shortest)
    best = [t for w in kept for t in (w.start_utc_s, w.end_utc_s, transit) if w.contains(t)]
    highest = max(
        (float(observer.altaz(*target.position_at(t), t).alt_deg) for t in best),
        default=None,
    )
    return TargetPlan(
        target=target,
        windows=kept,
        reach=tuple(reach),
        transit_utc_s=transit,
        highest_alt_deg=highest,
        usable_s=sum(w.duration_s for w in kept),
        wanted_s=sum(frame.exposure_s * frame.count for frame in order.frames),
        note=None if kept else _obstacle(night, observer, target, (dusk, dawn, lowest)),
    )


def _obstacle(
    night: Night, observer: Observer, target: ResolvedTarget, facts: tuple[float, float, float]
) -> str:
    """Say why a target has no window tonight, and what to change."""
    dusk, dawn, lowest = facts
    place = (observer, target.motion)
    _, dec_deg = target.position_at((dusk + dawn) / 2.0)
    culmination = 90.0 - abs(night.site.latitude_deg - dec_deg)
    if culmination < lowest:
        return (
            f"it never rises above {lowest:g} deg from latitude {night.site.latitude_deg:g}: "
            f"its highest altitude is {culmination:.1f} deg; choose another target or site"
        )
    if not visible_windows(*place, dusk, dawn, Horizon.flat(0.0), lowest):
        return f"it is not above {lowest:g} deg while it is dark; choose another season"
    horizon = night.horizon.raised(night.rig.limits.horizon_margin_deg)
    if not visible_windows(*place, dusk, dawn, horizon, lowest):
        return "the horizon of the site hides it for as long as it is dark; check the horizon"
    if not visible_windows(*place, dusk, dawn, horizon, lowest, geometry=night.rig.geometry):
        return (
            f"the axes of the {night.rig.geometry.words} do not reach it while it is up; see mount "
            "and limits in the rig file, or choose another target"
        )
    if target.order.moon_distance_deg is not None:
        return (
            f"it is nearer than {target.order.moon_distance_deg:g} deg to the Moon whenever it is "
            "up; lower moon_distance_deg or choose another night"
        )
    return "no window is as long as its shortest exposure; order shorter exposures"
