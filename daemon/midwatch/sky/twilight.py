"""When the Sun leaves and returns: twilight, darkness and the Moon of one night."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from midwatch.sky.place import Observer
from midwatch.sky.search import bisected, changes, time_grid
from midwatch.sky.sun_moon import moon_altaz, moon_illumination, moon_semidiameter_deg, sun_altaz
from midwatch.sky.vectors import BoolArray, FloatArray

# Altitude of the Sun's centre when its upper limb is seen on the horizon: 34 arcmin of
# refraction and 16 of semi-diameter.
SUNSET_SUN_ALT_DEG = -50.0 / 60.0
CIVIL_SUN_ALT_DEG = -6.0
NAUTICAL_SUN_ALT_DEG = -12.0
ASTRONOMICAL_SUN_ALT_DEG = -18.0

_HORIZON_REFRACTION_DEG = 34.0 / 60.0
_DAY_S = 86400.0
_SAMPLE_S = 600.0
_PRECISION_S = 0.01
# Zones are drawn by states: civil noon may lie a few hours from the Sun's. A greater distance
# (a zone of UTC at a far-off site, say) would put civil noon into the night.
_GREATEST_NOON_SHIFT_S = 5.0 * 3600.0


@dataclass(frozen=True)
class NightEvents:
    """The events between one local noon and the next, POSIX seconds of UTC.

    An event that does not happen is None: the Sun may stay up, or not rise.

    Attributes:
        observer: for whom.
        evening: local date of the evening.
        noon_utc_s: local civil noon on that date.
        next_noon_utc_s: local civil noon on the next; 23 to 25 hours later.
        sunset_utc_s: Sun's centre falls through -50 arcmin, airless; and so on for the
            twilights at -6, -12 and -18 degrees.
        lowest_sun_utc_s: when the Sun is lowest.
        lowest_sun_alt_deg: airless altitude then.
        highest_sun_alt_deg: greatest altitude between the noons, both included.
        moonrise_utc_s: moments at which the Moon's upper limb rises (34 arcmin of refraction).
        moonset_utc_s: moments at which it sets.
        moon_illumination: lit fraction, 0 to 1, when the Sun is lowest.
    """

    observer: Observer = field(repr=False)
    evening: date
    noon_utc_s: float
    next_noon_utc_s: float
    sunset_utc_s: float | None
    civil_dusk_utc_s: float | None
    nautical_dusk_utc_s: float | None
    astronomical_dusk_utc_s: float | None
    astronomical_dawn_utc_s: float | None
    nautical_dawn_utc_s: float | None
    civil_dawn_utc_s: float | None
    sunrise_utc_s: float | None
    lowest_sun_utc_s: float
    lowest_sun_alt_deg: float
    highest_sun_alt_deg: float
    moonrise_utc_s: tuple[float, ...]
    moonset_utc_s: tuple[float, ...]
    moon_illumination: float

    def dark_window(self, sun_below_deg: float) -> tuple[float, float] | None:
        """Start and end of the time with the Sun's centre below an airless altitude.

        The span around the lowest Sun. Where the Sun is below already at noon, or still at the
        next, that noon bounds it; None if the Sun does not get that low.
        """
        if self.lowest_sun_alt_deg >= sun_below_deg:
            return None
        ((dusk, dawn),) = _dusks_and_dawns(self._sun(), self.lowest_sun_utc_s, [sun_below_deg])
        return (
            self.noon_utc_s if dusk is None else dusk,
            self.next_noon_utc_s if dawn is None else dawn,
        )

    def _sun(self) -> _SunCurve:
        return _SunCurve(self.observer, self.noon_utc_s, self.next_noon_utc_s)


class _SunCurve:
    """Altitude of the Sun, sampled between two times."""

    def __init__(self, observer: Observer, start_utc_s: float, end_utc_s: float) -> None:
        self._observer = observer
        self.times = time_grid(start_utc_s, end_utc_s, _SAMPLE_S)
        self.alts = self.alt_deg(self.times)

    def alt_deg(self, utc_s: FloatArray) -> FloatArray:
        return sun_altaz(self._observer, utc_s).alt_deg

    def extreme(self, sign: float) -> tuple[float, float]:
        """Time and altitude of the highest (sign 1) or lowest (-1) Sun."""
        best = int(np.argmax(sign * self.alts))
        low, high = self.times[max(best - 1, 0)], self.times[min(best + 1, self.times.size - 1)]
        for _ in range(4):  # each round narrows the span tenfold: to about a tenth of a second
            times = np.linspace(low, high, 21)
            alts = self.alt_deg(times)
            best = int(np.argmax(sign * alts))
            low, high = times[max(best - 1, 0)], times[min(best + 1, 20)]
        return float(times[best]), float(alts[best])


def night_events(observer: Observer, evening: date, timezone: str) -> NightEvents:
    """Events of the night that begins on a local date.

    The night runs from local civil noon to the next, whatever the clocks do in between. If civil
    noon is more than five hours from the Sun's mean noon, mean noon is taken.

    Args:
        observer: whose night.
        evening: local civil date of the evening.
        timezone: name in the IANA time zone database.

    Raises:
        zoneinfo.ZoneInfoNotFoundError: unknown zone.
    """
    noon, next_noon = _noons(observer, evening, timezone)
    sun = _SunCurve(observer, noon, next_noon)
    lowest_utc_s, lowest_alt = sun.extreme(-1.0)
    thresholds = [
        SUNSET_SUN_ALT_DEG,
        CIVIL_SUN_ALT_DEG,
        NAUTICAL_SUN_ALT_DEG,
        ASTRONOMICAL_SUN_ALT_DEG,
    ]
    set_rise, civil, nautical, astronomical = _dusks_and_dawns(sun, lowest_utc_s, thresholds)
    rises, sets = _moonrises_and_moonsets(observer, noon, next_noon)
    return NightEvents(
        observer=observer,
        evening=evening,
        noon_utc_s=noon,
        next_noon_utc_s=next_noon,
        sunset_utc_s=set_rise[0],
        civil_dusk_utc_s=civil[0],
        nautical_dusk_utc_s=nautical[0],
        astronomical_dusk_utc_s=astronomical[0],
        astronomical_dawn_utc_s=astronomical[1],
        nautical_dawn_utc_s=nautical[1],
        civil_dawn_utc_s=civil[1],
        sunrise_utc_s=set_rise[1],
        lowest_sun_utc_s=lowest_utc_s,
        lowest_sun_alt_deg=lowest_alt,
        highest_sun_alt_deg=sun.extreme(1.0)[1],
        moonrise_utc_s=rises,
        moonset_utc_s=sets,
        moon_illumination=float(moon_illumination(lowest_utc_s)),
    )


def night_at(observer: Observer, utc_s: float, timezone: str) -> NightEvents:
    """The night whose span from noon to noon holds a time (its first noon included)."""
    return night_events(observer, evening_at(observer, utc_s, timezone), timezone)


def evening_at(observer: Observer, utc_s: float, timezone: str) -> date:
    """Local date of the evening of the night that holds a time, as `night_events` counts."""
    today = datetime.fromtimestamp(utc_s, ZoneInfo(timezone)).date()
    return today if _noon(observer, today, timezone) <= utc_s else today - timedelta(days=1)


def evening_date(longitude_deg: float, utc_s: float) -> date:
    """Date of the evening of a night by the Sun alone: mean solar time less twelve hours.

    Near noon, and along the date line, this may differ by a day from the civil date that
    `night_events` takes; `evening_at` gives that one.
    """
    solar_s = utc_s + _east_of_greenwich_s(longitude_deg)
    return datetime.fromtimestamp(solar_s - 0.5 * _DAY_S, UTC).date()


def dark_window(
    observer: Observer, evening: date, timezone: str, sun_below_deg: float
) -> tuple[float, float] | None:
    """`NightEvents.dark_window` of a night given by its evening."""
    return night_events(observer, evening, timezone).dark_window(sun_below_deg)


def _east_of_greenwich_s(longitude_deg: float) -> float:
    return math.remainder(longitude_deg, 360.0) * 240.0


def _noons(observer: Observer, evening: date, timezone: str) -> tuple[float, float]:
    return _noon(observer, evening, timezone), _noon(
        observer, evening + timedelta(days=1), timezone
    )


def _noon(observer: Observer, day: date, timezone: str) -> float:
    zone = ZoneInfo(timezone)
    civil = datetime(day.year, day.month, day.day, 12, tzinfo=zone).timestamp()
    solar_time_s = civil + _east_of_greenwich_s(observer.place.longitude_deg)
    shift_s = math.remainder(solar_time_s - 0.5 * _DAY_S, _DAY_S)
    return civil - shift_s if abs(shift_s) > _GREATEST_NOON_SHIFT_S else civil


def _dusks_and_dawns(
    sun: _SunCurve, lowest_utc_s: float, thresholds_deg: list[float]
) -> list[tuple[float | None, float | None]]:
    """For each altitude, the crossings next to the lowest Sun, before and after it."""
    at = int(np.searchsorted(sun.times, lowest_utc_s))
    times = np.insert(sun.times, at, lowest_utc_s)
    alts = np.insert(sun.alts, at, sun.alt_deg(np.array([lowest_utc_s])))
    brackets: list[tuple[float, float, float]] = []
    places: list[tuple[int, int]] = []
    for index, threshold in enumerate(thresholds_deg):
        up = np.flatnonzero(alts >= threshold)
        if alts[at] >= threshold:
            continue
        before, after = up[up < at], up[up > at]
        if before.size:
            brackets.append((times[before[-1]], times[before[-1] + 1], threshold))
            places.append((index, 0))
        if after.size:
            brackets.append((times[after[0] - 1], times[after[0]], threshold))
            places.append((index, 1))
    found: list[list[float | None]] = [[None, None] for _ in thresholds_deg]
    if brackets:
        start, end, level = np.array(brackets).T
        low, high = bisected(lambda t: sun.alt_deg(t) >= level, start, end, _PRECISION_S)
        for (index, side), moment in zip(places, (0.5 * (low + high)).tolist(), strict=True):
            found[index][side] = moment
    return [(dusk, dawn) for dusk, dawn in found]


def _moonrises_and_moonsets(
    observer: Observer, start_utc_s: float, end_utc_s: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    up = _moon_up(observer)
    times = time_grid(start_utc_s, end_utc_s, _SAMPLE_S)
    _, after = bisected(up, *changes(up(times), times), _PRECISION_S)
    rising = up(after) if after.size else np.zeros(0, dtype=bool)
    return tuple(after[rising].tolist()), tuple(after[~rising].tolist())


def _moon_up(observer: Observer) -> Callable[[FloatArray], BoolArray]:
    """Whether the Moon's upper limb shows above a flat horizon."""

    def up(utc_s: FloatArray) -> BoolArray:
        limb_deg = moon_altaz(observer, utc_s).alt_deg + moon_semidiameter_deg(utc_s)
        shows: BoolArray = limb_deg >= -_HORIZON_REFRACTION_DEG
        return shows

    return up
