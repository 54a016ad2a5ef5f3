"""The simulated air: temperature, humidity, wind, cloud, seeing as functions of time alone.

The weather sensor publishes the parameters, so that camera, focuser and guider in other processes
compute the very same air for any instant.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

from pydantic import Field

from midwatch.devices.contract import Model
from midwatch_simulators.base import smooth

_DAY_H = 24.0
_COOLING_FROM_H, _COOLING_UNTIL_H = 5.0, 18.0  # mean solar hours after noon: dusk to dawn
_COOLING_SCALE_H = 5.0  # the fall is steepest at dusk, as under a clear sky
# Constants of the Magnus form (Alduchov and Eskridge 1996).
_MAGNUS, _MAGNUS_C = 17.625, 243.04
# Nodes and weights of Gauss-Laguerre quadrature, for bodies that follow the air.
_LAGUERRE = (
    (0.26356031971814, 0.52175561058281),
    (1.41340305910652, 0.39866681108318),
    (3.59642577104072, 0.07594244968171),
    (7.08581000585884, 0.00361175867992),
    (12.6408008442758, 0.00002336997239),
)


class Spell(Model):
    """A stretch of time with a value: hours after local mean noon on every day, or UTC.

    Attributes:
        clock: what `start` and `end` count: "noon" hours after noon, "utc" POSIX seconds.
        edge_s: time in which the value comes and goes.
    """

    clock: Literal["noon", "utc"]
    start: float
    end: float
    value: float
    edge_s: float = 300.0

    def level(self, utc_s: float, noon_h: float) -> float:
        """Return the value at an instant, softened at the edges, 0 outside."""
        if self.clock == "noon":
            after, before = (noon_h - self.start) * 3600.0, (self.end - noon_h) * 3600.0
        else:
            after, before = utc_s - self.start, self.end - utc_s
        inside = min(after, before) / self.edge_s + 0.5
        if inside <= 0.0:
            return 0.0
        share = min(inside, 1.0)
        return self.value * share * share * (3.0 - 2.0 * share)


class Wave(Model):
    """A swing of the air's temperature, as where warm and cold air take turns in a valley.

    Attributes:
        swing_c: how far it goes to either side.
        period_s: time from one crest to the next.
        phase: turns of the wave at POSIX time zero, 0 to 1.
    """

    swing_c: float
    period_s: float = Field(gt=0)
    phase: float = 0.0

    def level_c(self, utc_s: float, lag_s: float = 0.0) -> float:
        """Return what it adds to a body that follows the air with a time constant.

        The settled answer of a first-order lag to a sine: smaller, and late.
        """
        turn = 2.0 * math.pi
        late = math.atan(turn * lag_s / self.period_s)
        angle = turn * (utc_s / self.period_s + self.phase) - late
        return self.swing_c * math.cos(late) * math.sin(angle)


class Air(Model):
    """Parameters of the air over one place; every method is a pure function of time.

    Attributes:
        seed: of all that wanders.
        longitude_deg: east positive; gives the local mean noon.
        evening_c: air temperature at dusk.
        night_fall_c: how much colder dawn is than dusk.
        humidity_percent: at dusk; the vapour in the air stays the same through the night.
        wind_ms: mean wind.
        cloud_percent: cloud on which spells are laid.
        waves: of the air's temperature, on top of its fall.
    """

    seed: int = 0
    longitude_deg: float = 0.0
    evening_c: float = 8.0
    night_fall_c: float = 8.0
    humidity_percent: float = Field(default=50.0, gt=0, le=100)
    wind_ms: float = 2.0
    cloud_percent: float = 2.0
    waves: tuple[Wave, ...] = ()
    clouds: tuple[Spell, ...] = ()
    winds: tuple[Spell, ...] = ()
    rains: tuple[Spell, ...] = ()
    damps: tuple[Spell, ...] = ()

    def noon_h(self, utc_s: float) -> float:
        """Return hours since the last local mean noon, 0 to 24."""
        return (utc_s / 3600.0 + self.longitude_deg / 15.0 - 12.0) % _DAY_H

    def air_c(self, utc_s: float) -> float:
        """Return the temperature of the air: an exponential fall at night, a rise by day, waves."""
        return self._calm_c(utc_s) + math.fsum(wave.level_c(utc_s) for wave in self.waves)

    def _calm_c(self, utc_s: float) -> float:
        h = self.noon_h(utc_s)
        if h < _COOLING_FROM_H:
            h += _DAY_H
        if h <= _COOLING_UNTIL_H:
            whole = 1.0 - math.exp(-(_COOLING_UNTIL_H - _COOLING_FROM_H) / _COOLING_SCALE_H)
            share = (1.0 - math.exp(-(h - _COOLING_FROM_H) / _COOLING_SCALE_H)) / whole
        else:
            share = 1.0 - (h - _COOLING_UNTIL_H) / (_COOLING_FROM_H + _DAY_H - _COOLING_UNTIL_H)
        return self.evening_c - self.night_fall_c * share + 0.15 * self._wander("air", utc_s, 900)

    def body_c(self, utc_s: float, lag_s: float) -> float:
        """Return the temperature of a body that follows the air with a time constant.

        The exact first-order lag, its integral over the past by Gauss-Laguerre quadrature; waves,
        which are too quick for so few nodes, in closed form.
        """
        calm = math.fsum(weight * self._calm_c(utc_s - node * lag_s) for node, weight in _LAGUERRE)
        return calm + math.fsum(wave.level_c(utc_s, lag_s) for wave in self.waves)

    def humidity_percent_at(self, utc_s: float) -> float:
        """Return relative humidity, 1 to 100: the evening's vapour in the present air."""
        evening = _saturation(self.evening_c) * self.humidity_percent
        humidity = evening / _saturation(self.air_c(utc_s))
        humidity = max(humidity + 2.0 * self._wander("humidity", utc_s, 1800), 1.0)
        return min(100.0, max(humidity, self._level(self.damps, utc_s)))

    def dew_point_c(self, utc_s: float) -> float:
        """Return the dew point: where the present vapour would saturate."""
        vapour = _saturation(self.air_c(utc_s)) * self.humidity_percent_at(utc_s) / 100.0
        gamma = math.log(vapour)
        return _MAGNUS_C * gamma / (_MAGNUS - gamma)

    def wind_ms_at(self, utc_s: float) -> float:
        """Return the mean wind of some minutes."""
        spell = self._level(self.winds, utc_s)
        return max(0.0, (self.wind_ms + spell) * (1.0 + 0.3 * self._wander("wind", utc_s, 600)))

    def gust_ms(self, utc_s: float) -> float:
        """Return the strongest wind of the last minute."""
        gustiness = 0.35 + 0.15 * abs(self._wander("gust", utc_s, 60))
        return self.wind_ms_at(utc_s) * (1.0 + gustiness)

    def cloud_percent_at(self, utc_s: float) -> float:
        """Return the cloud cover, 0 to 100."""
        base: float = self.cloud_percent * (1.0 + 0.5 * self._wander("cloud", utc_s, 1200))
        return min(100.0, max(0.0, base + self._level(self.clouds, utc_s)))

    def raining(self, utc_s: float) -> bool:
        """Return whether it rains."""
        return self._level(self.rains, utc_s) > 0.5

    def seeing_factor(self, utc_s: float) -> float:
        """Return seeing as a multiple of its median: log-normal, wandering within half an hour."""
        return math.exp(0.15 * self._wander("seeing", utc_s, 1500))

    def _wander(self, name: str, utc_s: float, scale_s: float) -> float:
        return smooth(self.seed, name, utc_s / scale_s)

    def _level(self, spells: tuple[Spell, ...], utc_s: float) -> float:
        if not spells:
            return 0.0
        noon_h = self.noon_h(utc_s)
        return max(spell.level(utc_s, noon_h) for spell in spells)


def cloud_extinction_mag(cloud_percent: float) -> float:
    """Return how many magnitudes cloud takes from the stars.

    Common practice, no source: thin cloud costs a few tenths, a closed cover nearly all.
    """
    return 5.0 * math.sqrt(cloud_percent / 100.0) ** 3


def cloud_glow(cloud_percent: float) -> float:
    """Return the factor by which cloud brightens the background of a lit countryside.

    Common practice, no source.
    """
    return 1.0 + 1.2 * cloud_percent / 100.0


@lru_cache(maxsize=256)
def _saturation(air_c: float) -> float:
    """Return saturation vapour pressure relative to that at 0 C (Magnus)."""
    return math.exp(_MAGNUS * air_c / (_MAGNUS_C + air_c))
