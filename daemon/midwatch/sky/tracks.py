"""A target's way across the sky, and when it can be worked on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.atmosphere import airmass, refraction_from_true_deg
from midwatch.sky.ephemeris import earth_at
from midwatch.sky.horizon import Horizon
from midwatch.sky.mounts import MountGeometry
from midwatch.sky.place import SIDEREAL_DEG_PER_S, Observer, hour_angle_of
from midwatch.sky.search import bisected, changes, time_grid
from midwatch.sky.sun_moon import moon_altaz, moon_separation_deg
from midwatch.sky.target_motion import Motion
from midwatch.sky.vectors import BoolArray, FloatArray, as_floats, wrap_180, wrap_360


@dataclass(frozen=True, order=True)
class Window:
    """A span of time, POSIX seconds of UTC."""

    start_utc_s: float
    end_utc_s: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_utc_s - self.start_utc_s

    def contains(self, utc_s: float) -> bool:
        """Whether a time lies within, both ends included."""
        return self.start_utc_s <= utc_s <= self.end_utc_s

    def overlap(self, other: Window) -> Window | None:
        """What both have in common; None if that is nothing or a single moment."""
        start = max(self.start_utc_s, other.start_utc_s)
        end = min(self.end_utc_s, other.end_utc_s)
        return Window(start, end) if end > start else None


@dataclass(frozen=True, eq=False)
class Track:
    """One target at a row of times; every array has the shape of `utc_s`.

    Attributes:
        utc_s: POSIX seconds of UTC.
        alt_deg: airless altitude.
        az_deg: azimuth from north through east, [0, 360).
        ha_deg: hour angle, (-180, 180].
        margin_deg: altitude above the horizon at that azimuth.
        airmass: of the refracted altitude; infinite below a flat horizon.
        moon_sep_deg: angle to the Moon's centre, whether or not the Moon is up.
    """

    utc_s: FloatArray
    alt_deg: FloatArray
    az_deg: FloatArray
    ha_deg: FloatArray
    margin_deg: FloatArray
    airmass: FloatArray
    moon_sep_deg: FloatArray


def track(observer: Observer, motion: Motion, utc_s: ArrayLike, horizon: Horizon) -> Track:
    """Follow a target through times of any shape."""
    times = as_floats(utc_s)
    ra_deg, dec_deg = motion.positions_at(times)
    star = observer.star_vector(ra_deg, dec_deg, earth_at(times))
    alt, az = observer.altaz_of(star)
    place = observer.place
    lift = refraction_from_true_deg(alt, place.air_pressure_hpa, place.temperature_c)
    return Track(
        utc_s=times,
        alt_deg=alt,
        az_deg=az,
        ha_deg=hour_angle_of(star),
        margin_deg=alt - horizon.altitude_deg(az),
        airmass=airmass(alt + lift),
        moon_sep_deg=moon_separation_deg(observer, ra_deg, dec_deg, times),
    )


def windows_where(
    condition: Callable[[FloatArray], BoolArray],
    start_utc_s: float,
    end_utc_s: float,
    step_s: float = 60.0,
    precision_s: float = 1.0,
) -> list[Window]:
    """Spans in which a condition holds, edges found to `precision_s` on the inner side.

    Args:
        condition: whether it holds at each of an array of times.
        start_utc_s: beginning of the search.
        end_utc_s: its end; nothing is found if it is not after the start.
        step_s: sampling; a span, or a gap, shorter than this may be missed.
        precision_s: an edge lies inside the span by at most this much.
    """
    if not end_utc_s > start_utc_s:
        return []
    times = time_grid(start_utc_s, end_utc_s, step_s)
    holds = condition(times)
    before, after = bisected(condition, *changes(holds, times), precision_s)
    # Keep to the side on which the condition was seen to hold.
    edges = np.where(condition(before), before, after).tolist() if before.size else []
    if holds[0]:
        edges.insert(0, start_utc_s)
    if holds[-1]:
        edges.append(end_utc_s)
    return [Window(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def visible_windows(
    observer: Observer,
    motion: Motion,
    start_utc_s: float,
    end_utc_s: float,
    horizon: Horizon,
    min_alt_deg: float,
    moon_min_sep_deg: float | None = None,
    geometry: MountGeometry | None = None,
    step_s: float = 60.0,
) -> list[Window]:
    """Spans in which a target is above the horizon, high enough, and clear of the Moon.

    Altitudes are airless. The Moon counts while its centre is above a flat horizon. With a mount,
    its axes must reach there as well. Edges are found to one second, inside the span; spans
    shorter than `step_s` may be missed.
    """

    def visible(times: FloatArray) -> BoolArray:
        ra_deg, dec_deg = motion.positions_at(times)
        at = observer.direction_of(observer.star_vector(ra_deg, dec_deg, earth_at(times)))
        lowest_deg = np.maximum(horizon.altitude_deg(at.az_deg), min_alt_deg)
        high: BoolArray = at.alt_deg >= lowest_deg
        if geometry is not None:
            high = high & geometry.reaches(at)
        if moon_min_sep_deg is None:
            return high
        far = moon_separation_deg(observer, ra_deg, dec_deg, times) >= moon_min_sep_deg
        moon_down = moon_altaz(observer, times).alt_deg < 0.0
        return high & (far | moon_down)

    return windows_where(visible, start_utc_s, end_utc_s, step_s)


def transit_utc_s(observer: Observer, motion: Motion, after_utc_s: float) -> float:
    """First upper transit of a target at or after a time; good to 0.01 s."""
    ha = float(observer.hour_angle_deg(*motion.position_at(after_utc_s), after_utc_s))
    guess = after_utc_s + float(wrap_360(-ha)) / SIDEREAL_DEG_PER_S
    return time_at_hour_angle(observer, motion, 0.0, guess)


def time_at_hour_angle(
    observer: Observer, motion: Motion, ha_deg: float, near_utc_s: float
) -> float:
    """The time nearest to `near_utc_s` at which a target has an hour angle, degrees."""
    utc_s = near_utc_s
    for _ in range(3):
        ahead = ha_deg - observer.hour_angle_deg(*motion.position_at(utc_s), utc_s)
        utc_s += float(wrap_180(ahead)) / (SIDEREAL_DEG_PER_S - motion.ra_rate_deg_s(utc_s))
    return utc_s
