"""Reasons to focus again: the air has changed, time has passed, stars have grown."""

from __future__ import annotations

import statistics
from typing import ClassVar, Literal

from midwatch.api.lookout import Reading, View


class Temperature:
    """Change of temperature since the focuser was last put right, degrees Celsius.

    Once focus against temperature is learned, the lookout for defocus answers instead.
    """

    name: ClassVar[str] = "temperature"
    unit: ClassVar[str] = "degC"
    trip: ClassVar[float] = 1.5
    clear: ClassVar[float] = 1.2
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Compare the probe with its reading at the last run."""
        now_c = view.focuser.temperature_c if view.focuser is not None else None
        then_c = view.settled_at_c
        if now_c is None or then_c is None:
            return Reading(None, "no temperature to compare with")
        change = abs(now_c - then_c)
        if view.focus_learned:
            return Reading(0.0, f"{change:.1f} degC; defocus is known: {view.focus_verdict}")
        text = f"{change:.1f} degC since the focuser was put right ({then_c:.1f} degC)"
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


class Defocus:
    """Defocus to expect from the temperature, percent of the critical focus zone's total depth.

    The learned slope times the change since the focuser was last put right, and the slope's error
    times the change since focus was last measured. While nothing is learned the error is that of
    any telescope of this length. Half of the zone is its edge.
    """

    name: ClassVar[str] = "defocus"
    unit: ClassVar[str] = "percent"
    trip: ClassVar[float] = 25.0
    clear: ClassVar[float] = 20.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Return what the line of all runs leads to expect."""
        percent = view.defocus_percent
        if percent is None:
            return Reading(None, "no focus run or no temperature to compare with")
        text = f"{percent:.0f} % of the critical focus zone expected"
        return Reading(percent, f"{text}; learned {view.focus_verdict}")


class StarSize:
    """Growth of the stars since the first frames after the last focus run, percent.

    Freed of what air mass and guiding add. What is left may still be the seeing; when the
    temperature gives no reason for a defocus, more frames must agree.
    """

    name: ClassVar[str] = "hfr"
    unit: ClassVar[str] = "percent"
    trip: ClassVar[float] = 20.0
    clear: ClassVar[float] = 12.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    # Frames from which a median is taken, with and without a reason for defocus. Fewer react to
    # one gust; more react late.
    _FRAMES, _FRAMES_WITHOUT_REASON = 3, 6
    # Growth on a single frame that is believed at once, percent: a tube that has slipped. Less:
    # gusts ask for runs; more: frames are spoilt one by one until a median has grown.
    _LEAP_PERCENT = 45.0
    # Expected defocus, percent of the critical focus zone, from which focus may be the reason.
    _REASON_PERCENT = 10.0

    def read(self, view: View) -> Reading:
        """Take the median of the latest frames, or the last where stars have leapt."""
        if view.focused_at_s is None:
            return Reading(None, "not focused yet")
        leap = 100.0 * (view.size_ratios[-1] - 1.0) if view.size_ratios else 0.0
        if leap >= self._LEAP_PERCENT:
            return Reading(leap, f"stars of the last frame are {leap:.0f} % larger than before")
        calm = view.defocus_percent is not None and view.defocus_percent < self._REASON_PERCENT
        frames = self._FRAMES_WITHOUT_REASON if calm else self._FRAMES
        if len(view.size_ratios) < frames:
            # Not unknown: a run that has just ended answers the growth that asked for it.
            return Reading(0.0, "too few frames since the last focus run to judge")
        growth = 100.0 * (statistics.median(view.size_ratios[-frames:]) - 1.0)
        text = f"stars are {growth:.0f} % larger than after the last focus run"
        return Reading(growth, f"{text}, air mass and guiding allowed for")
