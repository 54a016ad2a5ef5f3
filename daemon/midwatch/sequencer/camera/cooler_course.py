"""How far a cooler brings its sensor: there, or to its end. Judged from readings alone."""

from __future__ import annotations

import math
from collections import deque
from typing import Literal

from midwatch.orders.models import CameraSettings

__all__ = ["CoolerCourse", "held_c"]

# Over how long a change of the sensor is judged: at least some heartbeats of the camera, since
# many report no sooner. Shorter: a slow sensor counts as still; longer: a cooler that is at its end
# is waited for.
_WINDOW_S, _HEARTBEATS = 60.0, 2.0
# A sensor that changes by less is still, degrees Celsius a minute; less yet where the cooler was
# asked to be slow. Lower: the last tenths are waited for; higher: a cooler that is slow in the cold
# is taken for one at its end.
_STILL_C_MIN, _OF_RATE = 0.3, 0.5
# From this power on a cooler gives all that it has, percent. Some end a little short of 100.
_FULL_PERCENT = 97.0
# A still sensor whose cooler says that it has power left may be regulated late; not for longer.
_PATIENCE_S = 300.0
# Kept free above what a cooler holds at full power, degrees Celsius, and rounded up to a whole one:
# the air grows warmer too, and a regulated sensor is worth more than the last degree.
_RESERVE_C = 1.0


class CoolerCourse:
    """Follows a sensor on its way to a set point.

    Args:
        to_c: the set point.
        settings: how near counts as there, and how fast the cooler was asked to be.
        heartbeat_s: the camera reports at least so often.
        began_s: monotonic time at which the cooler was asked.
    """

    def __init__(
        self, to_c: float, settings: CameraSettings, heartbeat_s: float, began_s: float
    ) -> None:
        self._to_c, self._within_c = to_c, settings.cool_within_c
        self._still_c_min = min(_STILL_C_MIN, _OF_RATE * settings.cool_rate_c_per_min)
        self._window_s = max(_WINDOW_S, _HEARTBEATS * heartbeat_s)
        self._began_s = began_s
        self._seen: deque[tuple[float, float]] = deque()

    def take(
        self, now_s: float, sensor_c: float | None, power_percent: float | None
    ) -> Literal["cold", "end"] | None:
        """Take in a reading, and say how it ended.

        Returns:
            "cold" when the sensor is at its set point, or is colder and does not change; "end" when
            it has come to rest above: the cooler holds no less. None while it is on its way. A
            sensor that cannot be read counts as one that does not change.
        """
        if sensor_c is not None and abs(sensor_c - self._to_c) <= self._within_c:
            return "cold"
        if sensor_c is not None:
            self._seen.append((now_s, sensor_c))
        while self._seen and self._seen[0][0] < now_s - self._window_s:
            self._seen.popleft()
        if now_s - self._began_s < self._window_s or not self._still():
            return None
        if sensor_c is not None and sensor_c < self._to_c:
            return "cold"
        patient = now_s - self._began_s < _PATIENCE_S
        has_more = power_percent is not None and power_percent < _FULL_PERCENT
        return None if has_more and patient else "end"

    def _still(self) -> bool:
        if len(self._seen) < 2:
            return True
        (first_s, first_c), (last_s, last_c) = self._seen[0], self._seen[-1]
        return abs(last_c - first_c) <= self._still_c_min * (last_s - first_s) / 60.0


def held_c(sensor_c: float) -> float:
    """Return the set point for a cooler that is at its end here: with some reserve."""
    return float(math.ceil(sensor_c + _RESERVE_C))
