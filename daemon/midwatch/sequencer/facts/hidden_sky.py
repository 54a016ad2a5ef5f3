"""Whether a target near the horizon is hidden by what the site's horizon file does not know.

Frames without stars look the same behind trees, clouds and a cap. But low down trees are
likely, and then another target is in the open: it is tried first, whatever the reason is. If it
shows no stars either, it was not the trees.
"""

from __future__ import annotations

import statistics
from bisect import bisect_left
from typing import Literal, NamedTuple

import numpy as np

from midwatch.journal.record import FrameRecord, NightRecord
from midwatch.sequencer.decision import CLOUDS, HIDDEN, NO_LIGHT
from midwatch.sky import Horizon, Observer

__all__ = ["NEAR_HORIZON_DEG", "Hidden", "dark_elsewhere", "hidden_now", "is_low"]

# Trees are taken to be at most so much higher than the horizon file says. Higher: a cloud high up
# passes for a tree, and costs a look at another target; lower: tall trees pass for clouds.
NEAR_HORIZON_DEG = 20.0
# Shares of the usual stars: below the first a frame has seen none of the sky; below the second it
# has seen it past an edge of trees, if it is not alone with that. A guide star that is gone for so
# much of a frame that fails says the same.
_HIDDEN_SHARE, _THIN_SHARE = 0.25, 0.7
_GUIDE_LOST_PERCENT = 25.0
# Of a frame that nothing can be compared with, so few stars are none.
_FEW_STARS = 8
# A target that rises is looked at again when it is so much higher; each look costs minutes.
_CLIMB_DEG = 4.0
# One that sinks into trees stays there, but for gaps: it is looked at again after this time, and
# after twice as long each time that it is still hidden. Few are up for so long.
_SINKING_S = 2700.0
_AHEAD_S, _STEP_S = 4.0 * 3600.0, 60.0

_SAMPLE_AGE_S = 900.0  # for so long a sensor's word on the clouds is good

_StarsSeen = Literal["seen", "thin", "none"]


class Hidden(NamedTuple):
    """Until when other targets come first, POSIX seconds, and why; 0 where nothing hides it."""

    until_s: float = 0.0
    reason: str = ""


def hidden_now(record: NightRecord, target: str, observer: Observer, horizon: Horizon) -> Hidden:
    """Return whether a target was hidden when it was looked at last, near the horizon."""
    plan = record.planned.get(target)
    looks = [] if plan is None else _looks(record, target, observer, horizon)
    if plan is None or not looks:
        return Hidden()
    last_s = max(looks)
    if _cloudy(record, last_s) or dark_elsewhere(record, target, last_s, observer, horizon):
        return Hidden()
    ahead = last_s + np.arange(0.0, _AHEAD_S + _STEP_S, _STEP_S)
    place = observer.altaz(*plan.motion.positions_at(ahead), ahead)
    altitudes = np.asarray(place.alt_deg)
    where = (
        f"hardly a star {altitudes[0]:.0f} degrees up, azimuth {float(place.az_deg[0]):.0f}: "
        "something there may be taller than the horizon file says"
    )
    if altitudes[1] > altitudes[0]:
        higher = np.flatnonzero(altitudes >= altitudes[0] + _CLIMB_DEG)
        return Hidden(float(ahead[higher[0]]) if len(higher) else float(ahead[-1]), where)
    return Hidden(last_s + _SINKING_S * 2.0 ** min(len(looks) - 1, 10), where)


def is_low(frame: FrameRecord, record: NightRecord, observer: Observer, horizon: Horizon) -> bool:
    """Return whether a light frame was taken near the horizon."""
    plan = record.planned.get(frame.begun.target or "")
    if plan is None:
        return False
    at_s = np.array([_middle_s(frame)])
    place = observer.altaz(*plan.motion.positions_at(at_s), at_s)
    above = np.asarray(place.alt_deg) - horizon.altitude_deg(place.az_deg)
    return bool(above[0] < NEAR_HORIZON_DEG)


def _looks(record: NightRecord, target: str, observer: Observer, horizon: Horizon) -> list[float]:
    """Return when a target was looked at in vain since its stars were seen last."""
    looks = [
        at_s
        for fault in record.open_faults()
        if (fault.began.fault, fault.began.target) == (HIDDEN, target)
        for at_s in (fault.began_at_utc_s, *(at_s for at_s, _ in fault.remedies))
    ]
    thin: list[float] = []
    for frame in reversed(record.frames.values()):
        if not (frame.is_light and frame.begun.target == target and frame.graded is not None):
            continue
        stars = _stars_seen(frame, record)
        if stars == "seen" or not is_low(frame, record, observer, horizon):
            break
        (thin if stars == "thin" else looks).append(_middle_s(frame))
    return looks + thin if looks or len(thin) > 1 else []


def dark_elsewhere(
    record: NightRecord, target: str, since_s: float, observer: Observer, horizon: Horizon
) -> bool:
    """Return whether the first look at another target since, higher up, showed no stars either."""
    in_vain = []
    for fault in record.open_faults():
        began = fault.began
        if (began.device, began.fault) == ("camera", NO_LIGHT):
            return True
        if (began.device, began.fault) == ("sky", CLOUDS) and began.target not in (None, target):
            tries = (fault.began_at_utc_s, *(at_s for at_s, _ in fault.remedies))
            in_vain += [at_s for at_s in tries if at_s > since_s]
    first: tuple[float, bool] | None = (min(in_vain), True) if in_vain else None
    for frame in reversed(record.frames.values()):
        at_s = _middle_s(frame)
        if at_s <= since_s:
            break
        if frame.is_light and frame.begun.target != target and frame.graded is not None:
            seen = _stars_seen(frame, record) == "seen"
            tells = seen or not is_low(frame, record, observer, horizon)
            if tells and (first is None or at_s < first[0]):
                first = (at_s, not seen)
    return first is not None and first[1]


def _cloudy(record: NightRecord, at_s: float) -> bool:
    """Return whether the sensor saw clouds at about that time."""
    first = bisect_left(record.cloudy_at_s, at_s - _SAMPLE_AGE_S)
    return first < len(record.cloudy_at_s) and record.cloudy_at_s[first] <= at_s + _SAMPLE_AGE_S


def _stars_seen(frame: FrameRecord, record: NightRecord) -> _StarsSeen:
    """Return how much of the sky a graded light frame has seen."""
    graded = frame.graded
    if graded is None or frame.accepted or graded.stars is None:
        return "seen"
    share = graded.star_share
    unguided = (graded.guide_lost_percent or 0.0) >= _GUIDE_LOST_PERCENT
    if unguided and (share is None or share < _THIN_SHARE):
        return "none"
    if share is None:
        usual = _usual_stars(frame, record)
        if usual is None:
            return "none" if graded.stars < _FEW_STARS else "seen"
        share = graded.stars / usual
    if share < _HIDDEN_SHARE:
        return "none"
    return "seen" if share >= _THIN_SHARE else "thin"


def _usual_stars(frame: FrameRecord, record: NightRecord) -> float | None:
    """Return how many stars accepted frames of the same kind show; None without any."""
    begun = frame.begun
    kind = (begun.target, begun.filter, begun.exposure_s)
    usual = [
        other.graded.stars
        for other in record.frames.values()
        if other.accepted
        and other.graded is not None
        and other.graded.stars
        and (other.begun.target, other.begun.filter, other.begun.exposure_s) == kind
    ]
    return float(statistics.median(usual)) if usual else None


def _middle_s(frame: FrameRecord) -> float:
    if frame.read is None:
        return frame.begun_at_utc_s
    return frame.read.began_utc_s + 0.5 * frame.read.exposure_s
