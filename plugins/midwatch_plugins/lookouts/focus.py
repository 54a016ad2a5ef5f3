"""Reasons to focus again: the air has changed, time has passed, stars have grown."""

from __future__ import annotations

import statistics
from typing import ClassVar, Literal

from midwatch.api import Reading, View


class Temperature:
    """Change of the focuser's temperature since the last focus run, degrees Celsius."""

    name: ClassVar[str] = "temperature"
    unit: ClassVar[str] = "degC"
    trip: ClassVar[float] = 1.5
    clear: ClassVar[float] = 1.2
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Compare the probe with its reading at the last run."""
        now_c = view.focuser.temperature_c if view.focuser is not None else None
        if now_c is None or view.focused_at_c is None:
            return Reading(None, "no temperature to compare with")
        change = abs(now_c - view.focused_at_c)
        text = f"{change:.1f} degC since the last focus run ({view.focused_at_c:.1f} degC)"
        return Reading(change, text)


class FocusAge:
    """Minutes since the last focus run."""

    name: ClassVar[str] = "focus_age"
    unit: ClassVar[str] = "min"
    trip: ClassVar[float] = 90.0
    clear: ClassVar[float] = 90.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Measure from the end of the last good run."""
        if view.focused_at_s is None:
            return Reading(None, "not focused yet")
        minutes = (view.now_s - view.focused_at_s) / 60.0
        return Reading(minutes, f"{minutes:.0f} min since the last focus run")


class StarSize:
    """Growth of the stars since the first frames after the last focus run, percent."""

    name: ClassVar[str] = "hfr"
    unit: ClassVar[str] = "percent"
    trip: ClassVar[float] = 20.0
    clear: ClassVar[float] = 12.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    # Frames from which a median is taken. Fewer react to one gust; more react late.
    _FRAMES = 3

    def read(self, view: View) -> Reading:
        """Compare the median of the latest frames with the best of the focus run."""
        if view.focused_hfr_px is None:
            return Reading(None, "not focused yet")
        if len(view.recent_hfr_px) < self._FRAMES:
            # Not unknown: a run that has just ended answers the growth that asked for it.
            return Reading(0.0, "too few frames since the last focus run to tell")
        now = statistics.median(view.recent_hfr_px[-self._FRAMES :])
        growth = 100.0 * (now / view.focused_hfr_px - 1.0)
        return Reading(growth, f"stars are {growth:.0f} % larger than after the last focus run")
