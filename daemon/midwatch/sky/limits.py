"""Where the telescope must not point: low, where its axes must not turn, near the Sun."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, Self, TypeAlias

import numpy as np

from midwatch.sky.ephemeris import earth_at, sun_geocentric
from midwatch.sky.geometry import position_angle_deg, position_on_circle, separation_deg
from midwatch.sky.horizon import Horizon
from midwatch.sky.mounts import STRICT_GERMAN, Direction, MountGeometry, PierSide
from midwatch.sky.place import Observer, QuickAltAz, QuickPlace
from midwatch.sky.search import bisected, time_grid
from midwatch.sky.sun_moon import sun_altaz, sun_separation_deg
from midwatch.sky.vectors import BoolArray, FloatArray, spherical_deg, wrap_180

BreachKind: TypeAlias = Literal["horizon", "meridian", "axes", "sun"]

_SEARCH_STEP_S = 60.0
_SEARCH_PRECISION_S = 1.0


@dataclass(frozen=True)
class MountLimits:
    """What a mount may do.

    Attributes:
        horizon: lowest altitude by azimuth, airless.
        min_alt_deg: lowest altitude everywhere, airless.
        geometry: how its axes are built and how far they may turn.
        sun_min_sep_deg: nearest to the Sun's centre.
        sun_alt_limit_deg: the Sun counts while its centre is above this altitude.
    """

    horizon: Horizon
    min_alt_deg: float = 0.0
    geometry: MountGeometry = STRICT_GERMAN
    sun_min_sep_deg: float = 30.0
    sun_alt_limit_deg: float = -18.0

    def __post_init__(self) -> None:
        if not -90.0 <= self.min_alt_deg < 90.0:
            raise ValueError(f"lowest altitude {self.min_alt_deg} deg is not within -90 to 90")
        if not 0.0 <= self.sun_min_sep_deg < 180.0:
            raise ValueError(f"Sun distance {self.sun_min_sep_deg} deg is not within 0 to 180")

    def drawn_in(self, by_deg: float) -> Self:
        """Return limits that are stricter by this much, those of the axes as far as they can be."""
        return replace(
            self,
            horizon=self.horizon.raised(by_deg),
            min_alt_deg=min(self.min_alt_deg + by_deg, 89.9),
            geometry=self.geometry.drawn_in(by_deg),
            sun_min_sep_deg=min(self.sun_min_sep_deg + by_deg, 179.9),
        )


@dataclass(frozen=True)
class Breach:
    """One limit that is overstepped; the message carries the values."""

    kind: BreachKind
    message: str


class LimitCheck:
    """Checks single directions against the limits of one mount, fast enough for every second.

    Answers depend on the arguments alone, not on what was asked before.
    """

    def __init__(self, observer: Observer, limits: MountLimits) -> None:
        self.observer = observer
        self.limits = limits

    def breach(
        self, ra_deg: float, dec_deg: float, utc_s: float, pier_side: PierSide
    ) -> Breach | None:
        """The first limit overstepped by pointing at an ICRS position, None if all are kept.

        Looked at in the order horizon, axes, Sun. A mount with sides whose side is unknown cannot
        be judged by its axes, and is not. A direction or time that is not a number counts as below
        the horizon.
        """
        if not all(map(math.isfinite, (ra_deg, dec_deg, utc_s))):
            return Breach("horizon", f"pointing ({ra_deg}, {dec_deg}) deg is not known")
        quick = self.observer.quick_at(utc_s)
        vector = quick.vector(ra_deg, dec_deg)
        at = quick.altaz_ha_of(vector, utc_s)
        return (
            self._horizon_breach(at)
            or self._axes_breach(at, vector, pier_side)
            or self._sun_breach(quick, vector, utc_s)
        )

    def _horizon_breach(self, at: QuickAltAz) -> Breach | None:
        lowest = max(self.limits.horizon.altitude_at(at.az_deg), self.limits.min_alt_deg)
        if at.alt_deg >= lowest:
            return None
        return Breach(
            "horizon",
            f"altitude {at.alt_deg:.2f} deg is below the limit of {lowest:.2f} deg "
            f"at azimuth {at.az_deg:.1f} deg",
        )

    def _axes_breach(
        self, at: QuickAltAz, vector: tuple[float, float, float], pier_side: PierSide
    ) -> Breach | None:
        dec_deg = math.degrees(math.atan2(vector[2], math.hypot(vector[0], vector[1])))
        there = Direction(at.ha_deg, dec_deg, at.alt_deg, at.az_deg)
        geometry = self.limits.geometry
        message = geometry.overstep(there, pier_side)
        return None if message is None else Breach(geometry.limit_kind, message)

    def _sun_breach(
        self, quick: QuickPlace, vector: tuple[float, float, float], utc_s: float
    ) -> Breach | None:
        limits = self.limits
        if limits.sun_min_sep_deg <= 0.0:
            return None
        sun = quick.sun_vector(utc_s)
        separation = _angle_deg(vector, sun)
        if separation >= limits.sun_min_sep_deg:
            return None
        sun_alt = quick.altaz_ha_of(sun, utc_s).alt_deg
        if sun_alt <= limits.sun_alt_limit_deg:
            return None
        return Breach(
            "sun",
            f"{separation:.1f} deg from the Sun, nearer than {limits.sun_min_sep_deg:.1f} deg, "
            f"with the Sun at altitude {sun_alt:.1f} deg",
        )


def breach(
    observer: Observer,
    limits: MountLimits,
    ra_deg: float,
    dec_deg: float,
    utc_s: float,
    pier_side: PierSide,
) -> Breach | None:
    """`LimitCheck.breach` of one direction; keep a LimitCheck to ask often."""
    return LimitCheck(observer, limits).breach(ra_deg, dec_deg, utc_s, pier_side)


def seconds_until_breach(
    observer: Observer,
    limits: MountLimits,
    ra_deg: float,
    dec_deg: float,
    utc_s: float,
    pier_side: PierSide,
    horizon_s: float = 43200.0,
) -> float:
    """How long an ICRS position can be tracked before a limit, seconds.

    Zero if a limit is overstepped now or an argument is not a number, infinity if no limit is
    reached within `horizon_s`; otherwise the last moment found inside the limits, within one
    second before the breach. A breach that ends again in less than a minute may be missed.

    With an unknown side, the telescope is taken to be on the side that it would be put on for
    this hour angle now.
    """

    def kept(times: FloatArray) -> BoolArray:
        return ~_breached(observer, limits, ra_deg, dec_deg, times, side)

    if not all(map(math.isfinite, (ra_deg, dec_deg, utc_s))):
        return 0.0
    side = pier_side
    if side == "unknown":
        ha_deg = float(observer.hour_angle_deg(ra_deg, dec_deg, utc_s))
        side = limits.geometry.natural_side(ha_deg)
    times = time_grid(utc_s, utc_s + horizon_s, _SEARCH_STEP_S)
    broken = np.flatnonzero(~kept(times))
    if broken.size == 0:
        return math.inf
    first = int(broken[0])
    if first == 0:
        return 0.0
    last, _ = bisected(
        kept, times[first - 1 : first], times[first : first + 1], _SEARCH_PRECISION_S
    )
    return float(last[0] - utc_s)


def slew_path_clear_of_sun(
    observer: Observer,
    from_radec_deg: tuple[float, float],
    to_radec_deg: tuple[float, float],
    utc_s: float,
    sun_min_sep_deg: float,
    sun_alt_limit_deg: float = -18.0,
) -> bool:
    """Whether no way a slew may take between two ICRS positions comes near the Sun.

    How fast the two axes of a mount turn is not known, so every mix is looked at: the whole
    patch between the two right ascensions (the shorter way round) and declinations, and the
    great circle. A way over the pole by a change of pier side is not covered. True while the
    Sun's centre is at or below `sun_alt_limit_deg`.
    """
    if sun_altaz(observer, utc_s).alt_deg <= sun_alt_limit_deg:
        return True
    sun_ra, sun_dec = spherical_deg(sun_geocentric(utc_s))
    (ra1, dec1), (ra2, dec2) = from_radec_deg, to_radec_deg
    along = np.linspace(0.0, 1.0, 181)
    distance = separation_deg(ra1, dec1, ra2, dec2)
    angle = position_angle_deg(ra1, dec1, ra2, dec2)
    circle_ra, circle_dec = position_on_circle(ra1, dec1, angle, along * distance)
    patch_ra = ra1 + along[:, None] * wrap_180(ra2 - ra1)
    patch_dec = dec1 + along * (dec2 - dec1)
    nearest = min(
        float(np.min(separation_deg(patch_ra, patch_dec, sun_ra, sun_dec))),
        float(np.min(separation_deg(circle_ra, circle_dec, sun_ra, sun_dec))),
    )
    return nearest >= sun_min_sep_deg


def _breached(
    observer: Observer,
    limits: MountLimits,
    ra_deg: float,
    dec_deg: float,
    utc_s: FloatArray,
    side: PierSide,
) -> BoolArray:
    """Whether any limit is overstepped, at each time; the rule of `LimitCheck`, vectorised."""
    star = observer.star_vector(ra_deg, dec_deg, earth_at(utc_s))
    at = observer.direction_of(star)
    lowest_deg = np.maximum(limits.horizon.altitude_deg(at.az_deg), limits.min_alt_deg)
    broken: BoolArray = ~(at.alt_deg >= lowest_deg)
    broken |= limits.geometry.excess_deg(at, side) > 0.0
    sun_up = sun_altaz(observer, utc_s).alt_deg > limits.sun_alt_limit_deg
    if sun_up.any():
        near = sun_separation_deg(observer, ra_deg, dec_deg, utc_s) < limits.sun_min_sep_deg
        broken |= sun_up & near
    return broken


def _angle_deg(a: tuple[float, float, float], b: tuple[float, float, float]) -> float:
    cross = math.hypot(
        a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]
    )
    return math.degrees(math.atan2(cross, a[0] * b[0] + a[1] * b[1] + a[2] * b[2]))
