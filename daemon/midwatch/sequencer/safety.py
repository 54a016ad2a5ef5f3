"""Whether the sky may be let in: weather limits of the site, judged on levels.

Missing or stale readings are unsafe. After trouble, readings must stay good for the site's calm
time before it is safe again.
"""

from __future__ import annotations

from dataclasses import dataclass

from midwatch.devices.models import WeatherState
from midwatch.orders.models import SafetyLimits
from midwatch.sequencer.world import Safety


@dataclass
class SafetyWatch:
    """Keeps the verdict on the weather over time; without a sensor the operator is in charge.

    Attributes:
        troubled: it was unsafe when the daemon before this one stopped, so that good readings
            must first stay good.
    """

    limits: SafetyLimits
    has_sensor: bool
    troubled: bool = False
    _heard: bool = False
    _state: Safety | None = None
    _good_since_s: float | None = None

    def update(self, weather: WeatherState | None, age_s: float, now_s: float) -> Safety:
        """Judge the latest readings; ``age_s`` is how old they are."""
        trouble = self._trouble(weather, age_s) if self.has_sensor else None
        self._heard = self._heard or (weather is not None and age_s <= self.limits.stale_s)
        if trouble is not None and not self._heard:
            # Not even the first reading has come: unsafe, but no trouble to outlast.
            return Safety(False, trouble, now_s)
        if trouble is not None:
            self._good_since_s = None
            since = self._since(False, now_s)
            self._state = Safety(False, trouble, since)
            return self._state
        if self._good_since_s is None:
            self._good_since_s = now_s
        # At the start of a night good readings count at once: there was no trouble to outlast.
        calm = now_s - self._good_since_s >= self.limits.calm_s
        fresh = self._state is None and not self.troubled
        if fresh or calm or (self._state is not None and self._state.safe):
            self._state = Safety(True, "the weather is within limits", self._since(True, now_s))
        else:
            left_s = self.limits.calm_s - (now_s - self._good_since_s)
            reason = f"good again, to stay so for another {left_s / 60.0:.0f} min"
            self._state = Safety(False, reason, self._since(False, now_s))
        return self._state

    def _since(self, safe: bool, now_s: float) -> float:
        same = self._state is not None and self._state.safe == safe
        return self._state.since_s if same and self._state is not None else now_s

    def _trouble(self, weather: WeatherState | None, age_s: float) -> str | None:
        limits = self.limits
        if weather is None or not weather.connected:
            return "the weather sensor is silent"
        if age_s > limits.stale_s:
            return f"weather readings are {age_s:.0f} s old, more than {limits.stale_s:g} s"
        if limits.rain and weather.rain is not False:
            return "rain" if weather.rain else "the rain sensor gives no reading"
        watched = (
            ("wind", weather.wind_ms, limits.max_wind_ms, "m/s"),
            ("gust", weather.gust_ms, limits.max_gust_ms, "m/s"),
            ("humidity", weather.humidity_percent, limits.max_humidity_percent, "%"),
            ("cloud", weather.cloud_percent, limits.max_cloud_percent, "%"),
        )
        for name, value, limit, unit in watched:
            if limit is None:
                continue
            if value is None:
                return f"no {name} reading; a limit of {limit:g} {unit} is set"
            if value > limit:
                return f"{name} {value:.1f} {unit} is over the limit of {limit:g} {unit}"
        return None
