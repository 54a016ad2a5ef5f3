"""The camera's cooler: a body that leaks heat, a pump of bounded power, a ramped set point.

A thermoelectric pump moves heat in proportion to its current and makes heat by the square of it:
of the depth that full power holds, a share p of the power holds 2p - p^2. The last degrees are
the dearest, and a pump at its end reads 100 % whatever the sensor does. Electronics warm the
sensor above the air where nothing pumps.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from midwatch.devices.contract import Model
from midwatch_simulators.base import normal

_STEP_S = 4.0
_LEAK_S = 90.0  # time constant with which the sensor would drift back to the air


class CoolerBody(Model):
    """What a cooler does, as `Cooler.save` has it."""

    on: bool = False
    warming: bool = False
    setpoint_c: float | None = None
    power: float = 0.0
    time_s: float = 0.0
    body_c: float | None = None
    ramp_c: float = 0.0
    rate_c_per_s: float = 0.0


class Cooler:
    """Temperature of the sensor, followed in steps of fixed length.

    The steps lie on a fixed lattice from the first instant, so that reading the state more often
    changes nothing.

    Args:
        seed: of the thermometer's noise.
        began_s: POSIX time of the first instant.
        air_c: temperature of the air by POSIX time.
        depth_c: how far below the air the pump can go.
        strength: share of what its power should move that the pump does move, by POSIX time; its
            electronics do not know.
        self_heating_c: how far above the air the sensor settles when nothing is pumped.

    Attributes:
        on: whether the pump runs.
        setpoint_c: what was asked for; None while off.
        power: share of the pump's power in use, 0 to 1.
    """

    def __init__(
        self,
        seed: int,
        began_s: float,
        air_c: Callable[[float], float],
        depth_c: float,
        strength: Callable[[float], float] = lambda _: 1.0,
        self_heating_c: float = 0.0,
    ) -> None:
        self.on = False
        self.setpoint_c: float | None = None
        self.power = 0.0
        self._seed = seed
        self._air_c = air_c
        self._depth_c = depth_c
        self._strength = strength
        self._self_heating_c = self_heating_c
        self._time_s = began_s
        self._body_c: float | None = None
        self._ramp_c = 0.0
        self._rate_c_per_s = 0.0
        self._warming = False

    def cool(self, utc_s: float, setpoint_c: float, rate_c_per_min: float) -> None:
        """Ramp towards a set point."""
        self._begin(utc_s, rate_c_per_min)
        self.on, self._warming, self.setpoint_c = True, False, setpoint_c

    def warm(self, utc_s: float, rate_c_per_min: float) -> None:
        """Ramp up to the air, then switch off."""
        self._begin(utc_s, rate_c_per_min)
        if self.on:
            self._warming, self.setpoint_c = True, None

    def cut(self, utc_s: float) -> None:
        """Be without power at once: the sensor warms as fast as it leaks."""
        self._follow(utc_s)
        self.on, self._warming, self.setpoint_c, self.power = False, False, None, 0.0

    def sensor_c(self, utc_s: float) -> float:
        """Return the true temperature of the sensor."""
        self._follow(utc_s)
        return self._rest_c(self._air_c(utc_s)) if self._body_c is None else self._body_c

    def reading_c(self, utc_s: float) -> float:
        """Return what its thermometer says."""
        true_c = self.sensor_c(utc_s)
        return round(true_c + 0.04 * normal(self._seed, "sensor", int(utc_s // _STEP_S)), 2)

    def save(self, utc_s: float) -> CoolerBody:
        """Return what `load` goes on from."""
        self._follow(utc_s)
        return CoolerBody(
            on=self.on,
            warming=self._warming,
            setpoint_c=self.setpoint_c,
            power=self.power,
            # One that has settled is the same at all times.
            time_s=0.0 if self._body_c is None else self._time_s,
            body_c=self._body_c,
            ramp_c=self._ramp_c,
            rate_c_per_s=self._rate_c_per_s,
        )

    def load(self, body: CoolerBody) -> None:
        """Go on from what `save` returned; the time since then is made up for when asked."""
        self.on, self._warming, self.setpoint_c = body.on, body.warming, body.setpoint_c
        self.power, self._body_c = body.power, body.body_c
        self._ramp_c, self._rate_c_per_s = body.ramp_c, body.rate_c_per_s
        if body.body_c is not None:
            self._time_s = body.time_s

    def _begin(self, utc_s: float, rate_c_per_min: float) -> None:
        self._follow(utc_s)
        if self._body_c is None:
            self._body_c, self._time_s = self._rest_c(self._air_c(utc_s)), utc_s
        self._ramp_c, self._rate_c_per_s = self._body_c, rate_c_per_min / 60.0

    def _follow(self, utc_s: float) -> None:
        while self._body_c is not None and self._time_s + _STEP_S <= utc_s:
            self._time_s += _STEP_S
            self._body_c = self._step(self._body_c, self._air_c(self._time_s))

    def _rest_c(self, air_c: float) -> float:
        """Return where the sensor settles when nothing is pumped."""
        return air_c + self._self_heating_c

    def _step(self, body_c: float, air_c: float) -> float | None:
        """Return the temperature after one step; None once it is off and has settled."""
        share, rest_c = 1.0 - math.exp(-_STEP_S / _LEAK_S), self._rest_c(air_c)
        pumped_c = 0.0
        if self.on:
            goal = rest_c if self._warming else self.setpoint_c
            assert goal is not None
            largest = self._rate_c_per_s * _STEP_S
            self._ramp_c += min(max(goal - self._ramp_c, -largest), largest)
            # The equilibrium that the pump must aim at to be on the ramp after this step.
            aimed_c = body_c + (self._ramp_c - body_c) / share
            most_c = self._strength(self._time_s) * (self._depth_c + self._self_heating_c)
            self.power = _power_for(rest_c - aimed_c, most_c)
            if self._warming and body_c > air_c - 0.5:
                self.on, self.power = False, 0.0
            pumped_c = most_c * self.power * (2.0 - self.power)
        elif abs(rest_c - body_c) < 0.05:
            return None
        return body_c + (rest_c - pumped_c - body_c) * share


def _power_for(wanted_c: float, most_c: float) -> float:
    """Return the share of its power with which a pump holds so many of its degrees."""
    if wanted_c <= 0.0:
        return 0.0
    return 1.0 if wanted_c >= most_c else 1.0 - math.sqrt(1.0 - wanted_c / most_c)
