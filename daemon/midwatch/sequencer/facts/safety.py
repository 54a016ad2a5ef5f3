"""Whether the sky may be let in: weather limits of the site, judged on levels.

Missing or stale readings are unsafe. After trouble, readings must stay good for the site's calm
time before it is safe again. A gap in the readings is less than trouble: where they were good
before it and are good after it, and it was shorter than the calm time, a few of them confirm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from midwatch.devices.contract.kinds import WeatherState
from midwatch.journal.facts import WeatherTurned
from midwatch.orders.models import SafetyLimits
from midwatch.sequencer.decision import Safety

# Good readings, each newer than the last, that end a gap. Fewer: a sensor that has just come back
# is believed before it has settled; more: every lost minute of data costs several of the night.
_CONFIRMING = 3


@dataclass
class SafetyWatch:
    """Keeps the verdict on the weather over time; without a sensor the operator is in charge.

    Attributes:
        troubled: it was unsafe when the daemon before this one stopped, so that good readings
            must first stay good.
        note: called when a reading goes beyond a limit, and when none is beyond any more.
    """

    limits: SafetyLimits
    has_sensor: bool
    troubled: bool = False
    note: Callable[[WeatherTurned], object] | None = None
    _over: bool = False
    _heard: bool = False
    _state: Safety | None = None
    _good_since_s: float | None = None
    # Since when nothing but data is missing: the weather itself has given no reason to close.
    _gap_since_s: float | None = None
    _confirmed: int = 0
    _read_at: datetime | None = None
    # The last whole reading: a sensor that drops out leaves it behind until it is stale.
    _last: WeatherState | None = None

    def update(self, weather: WeatherState | None, age_s: float, now_s: float) -> Safety:
        """Judge the latest readings; ``age_s`` is how old they are."""
        weather, age_s = self._latest(weather, age_s, now_s)
        bad = self._bad(weather, age_s) if self.has_sensor else None
        self._inform(bad)
        trouble = bad or (self._missing(weather, age_s) if self.has_sensor else None)
        self._heard = self._heard or (weather is not None and age_s <= self.limits.stale_s)
        if trouble is not None and not self._heard:
            # Not even the first reading has come: unsafe, but no trouble to outlast.
            return Safety(False, trouble, now_s)
        if trouble is not None:
            if bad is not None:
                self._gap_since_s = None
            elif self._state is not None and self._state.safe:
                self._gap_since_s = now_s - age_s
            self._good_since_s, self._confirmed = None, 0
            self._state = Safety(False, trouble, self._since(False, now_s))
            return self._state
        if self._good_since_s is None:
            self._good_since_s = now_s
        self._state = self._good(weather, now_s)
        if self._state.safe:
            self._gap_since_s = None
        return self._state

    def _inform(self, bad: str | None) -> None:
        if self.note is not None and (bad is not None) != self._over:
            self._over = not self._over
            self.note(WeatherTurned(over=self._over, reason=bad or "nothing is over its limit"))

    def _latest(
        self, weather: WeatherState | None, age_s: float, now_s: float
    ) -> tuple[WeatherState | None, float]:
        """Return what is to be judged and its age: the last reading while there is no newer one."""
        if weather is not None and weather.connected and weather.read_at is not None:
            self._last = weather
        elif self._last is not None and self._last.read_at is not None:
            # A driver that was started again has read nothing yet, and reports no age.
            old_s = now_s - self._last.read_at.timestamp()
            if 0.0 <= old_s <= self.limits.stale_s:
                return self._last, old_s
            if old_s >= 0.0:
                return weather, old_s
        return weather, age_s

    def _good(self, weather: WeatherState | None, now_s: float) -> Safety:
        """Judge readings that are within limits by what came before them."""
        assert self._good_since_s is not None
        good_s = now_s - self._good_since_s
        read_at = None if weather is None else weather.read_at
        if read_at is not None and (self._read_at is None or read_at > self._read_at):
            self._read_at = read_at
            self._confirmed += 1
        # At the start of a night good readings count at once: there was no trouble to outlast.
        fresh = self._state is None and not self.troubled
        gap_s = None if self._gap_since_s is None else self._good_since_s - self._gap_since_s
        short = gap_s is not None and gap_s < self.limits.calm_s
        calm = good_s >= self.limits.calm_s or (short and self._confirmed >= _CONFIRMING)
        if fresh or calm or (self._state is not None and self._state.safe):
            return Safety(True, "the weather is within limits", self._since(True, now_s))
        if short:
            reason = f"readings are back; {self._confirmed} of {_CONFIRMING} have been good"
        else:
            left_s = self.limits.calm_s - good_s
            reason = f"good again, to stay so for another {left_s / 60.0:.0f} min"
        return Safety(False, reason, self._since(False, now_s))

    def _since(self, safe: bool, now_s: float) -> float:
        same = self._state is not None and self._state.safe == safe
        return self._state.since_s if same and self._state is not None else now_s

    def _missing(self, weather: WeatherState | None, age_s: float) -> str | None:
        """Say what is not known of the weather, or None where all that is watched is known."""
        limits = self.limits
        if weather is None or not weather.connected:
            return "the weather sensor is silent"
        if age_s > limits.stale_s:
            return f"weather readings are {age_s:.0f} s old, more than {limits.stale_s:g} s"
        if limits.rain and weather.rain is None:
            return "the rain sensor gives no reading"
        for name, value, limit, unit in self._watched(weather):
            if value is None:
                return f"no {name} reading; a limit of {limit:g} {unit} is set"
        return None

    def _bad(self, weather: WeatherState | None, age_s: float) -> str | None:
        """Say what of a present reading is over its limit, or None."""
        if weather is None or not weather.connected or age_s > self.limits.stale_s:
            return None
        if self.limits.rain and weather.rain:
            return "rain"
        for name, value, limit, unit in self._watched(weather):
            if value is not None and value > limit:
                return f"{name} {value:.1f} {unit} is over the limit of {limit:g} {unit}"
        return None

    def _watched(self, weather: WeatherState) -> tuple[tuple[str, float | None, float, str], ...]:
        """Return name, value, limit and unit of what has a limit."""
        limits = self.limits
        readings = (
            ("wind", weather.wind_ms, limits.max_wind_ms, "m/s"),
            ("gust", weather.gust_ms, limits.max_gust_ms, "m/s"),
            ("humidity", weather.humidity_percent, limits.max_humidity_percent, "%"),
            ("cloud", weather.cloud_percent, limits.max_cloud_percent, "%"),
        )
        return tuple(
            (name, value, limit, unit) for name, value, limit, unit in readings if limit is not None
        )
