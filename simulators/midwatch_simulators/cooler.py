"""The camera's cooler: a body that leaks heat, a pump of bounded power, a ramped set point."""

from __future__ import annotations

import math
from collections.abc import Callable

from .noise import normal

_STEP_S = 4.0
_LEAK_S = 90.0  # time constant with which the sensor would drift back to the air


class Cooler:
    """Temperature of the sensor, followed in steps of fixed length.

    The steps lie on a fixed lattice from the first instant, so that reading the state more often
    changes nothing.

    Attributes:
        on: whether the pump runs.
        setpoint_c: what was asked for; None while off.
        power: share of the pump's power in use, 0 to 1.
    """

    def __init__(
        self, seed: int, began_s: float, air_c: Callable[[float], float], depth_c: float
    ) -> None:
        self.on = False
        self.setpoint_c: float | None = None
        self.power = 0.0
        self._seed = seed
        self._air_c = air_c
        self._depth_c = depth_c
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

    def sensor_c(self, utc_s: float) -> float:
        """Return the true temperature of the sensor."""
        self._follow(utc_s)
        return self._air_c(utc_s) if self._body_c is None else self._body_c

    def reading_c(self, utc_s: float) -> float:
        """Return what its thermometer says."""
        true_c = self.sensor_c(utc_s)
        return round(true_c + 0.04 * normal(self._seed, "sensor", int(utc_s // _STEP_S)), 2)

    def _begin(self, utc_s: float, rate_c_per_min: float) -> None:
        self._follow(utc_s)
        if self._body_c is None:
            self._body_c, self._time_s = self._air_c(utc_s), utc_s
        self._ramp_c, self._rate_c_per_s = self._body_c, rate_c_per_min / 60.0

    def _follow(self, utc_s: float) -> None:
        while self._body_c is not None and self._time_s + _STEP_S <= utc_s:
            self._time_s += _STEP_S
            self._body_c = self._step(self._body_c, self._air_c(self._time_s))

    def _step(self, body_c: float, air_c: float) -> float | None:
        """Return the temperature after one step; None once it is off and as warm as the air."""
        share = 1.0 - math.exp(-_STEP_S / _LEAK_S)
        if self.on:
            goal = air_c if self._warming else self.setpoint_c
            assert goal is not None
            largest = self._rate_c_per_s * _STEP_S
            self._ramp_c += min(max(goal - self._ramp_c, -largest), largest)
            # The equilibrium that the pump must aim at to be on the ramp after this step.
            aim = body_c + (self._ramp_c - body_c) / share
            self.power = min(max((air_c - aim) / self._depth_c, 0.0), 1.0)
            if self._warming and body_c > air_c - 0.5:
                self.on, self.power = False, 0.0
        elif abs(air_c - body_c) < 0.05:
            return None
        equilibrium = air_c - self.power * self._depth_c
        return body_c + (equilibrium - body_c) * share
