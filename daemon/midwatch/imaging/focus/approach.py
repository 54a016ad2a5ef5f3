"""Far from focus: what the size of stars says of where focus is, and where to look for it."""

from __future__ import annotations

import math

import numpy as np

from midwatch.imaging.focus.samples import FocusMeasure, FocusSample
from midwatch.imaging.focus.task import FocusTask

__all__ = ["NEAR_ZONES", "are_fragments", "likeliest_focus", "nearest_zones", "side_probe"]

# Within so many zones of focus sampling begins at once; from further off it first goes nearer.
# More: sweeps grow long; less: runs that begin well waste exposures on going nearer.
NEAR_ZONES = 4.0
# One radius does not show the side. The first jump goes by this share of the distance: less, and
# noise hides which way it went; more, and the wrong way ends where stars are too wide to be seen.
_FIRST_JUMP = 0.4
# A blur cannot shrink faster than focus is approached, but for this much of error. Where it seems
# to, and not even so many times the stars are seen, they are fragments of wide ones.
_SHRUNK_TOO_FAST, _MORE_STARS = 1.3, 2.0
# How far from the samples focus may lie, zones.
_REACH_ZONES = 45.0
# How surely a frame without stars says that focus is not there, in logarithms of the radius:
# clouds do the same.
_BLANK_ERROR = 0.4


def nearest_zones(samples: list[FocusSample], task: FocusTask) -> float:
    """Return how far from focus the sharpest sample can be, zones; infinity without stars."""
    return min((s.hfr_px for s in _seen(samples)), default=math.inf) / task.blur_px


def side_probe(samples: list[FocusSample], task: FocusTask) -> int | None:
    """Return where to look to learn on which side focus is; None where samples show it."""
    here = _seen(samples)[0].position
    # A frame without stars shows it as well.
    if any(s.position != here for s in samples):
        return None
    jump = round(_FIRST_JUMP * nearest_zones(samples, task) * task.zone_guess)
    below, above = here - task.lowest, task.highest - here
    return (
        max(here - jump, task.lowest)
        if below >= min(jump, above)
        else min(here + jump, task.highest)
    )


def likeliest_focus(samples: list[FocusSample], task: FocusTask) -> int:
    """Return where focus must be by the samples' radii and the slope that optics give.

    Raises:
        ValueError: no sample shows stars.
    """
    seen = _seen(samples)
    if not seen:
        raise ValueError("no sample shows stars")
    p = np.array([s.position for s in seen], dtype=float)
    h = np.array([s.hfr_px for s in seen])
    reach = _REACH_ZONES * task.zone_guess
    low = max(float(task.lowest), p.min() - reach)
    high = min(float(task.highest), p.max() + reach)
    # Where steps are not known in micrometres the slope is known to a factor only.
    spread = 0.15 if task.zone_steps is not None else 0.7
    factor = np.linspace(-3.0, 3.0, 25)
    best = np.linspace(low, high, max(2, round((high - low) / (0.3 * task.zone_guess))))
    slope = task.slope_guess * np.exp(spread * factor)
    model = np.hypot(0.5 * task.blur_px, slope[:, None, None] * (p - best[None, :, None]))
    # The rims of wide discs drown in the background, which makes them seem smaller.
    error = 0.1 + 0.005 * h / task.blur_px
    off = np.sum((np.log(h / model) / error) ** 2, axis=2) + factor[:, None] ** 2
    # Where no star was found, stars are more blurred than the most blurred found elsewhere.
    for blank in (s.position for s in samples if s.measure.hfr_px is None):
        there = np.maximum(slope[:, None] * np.abs(blank - best), 0.5 * task.blur_px)
        off += np.maximum(np.log(h.max() / there) / _BLANK_ERROR, 0.0) ** 2
    return round(float(best[int(np.argmin(off.min(axis=0)))]))


def are_fragments(
    samples: list[FocusSample], position: int, measure: FocusMeasure, task: FocusTask
) -> bool:
    """Return whether small stars are seen where the frames before leave room for wide ones only.

    Such a frame shows nothing but that its stars are wider than can be measured. With steps not
    known in micrometres the answer is no, as the slope is not known either.
    """
    if measure.hfr_px is None or task.zone_steps is None:
        return False
    slope = _SHRUNK_TOO_FAST * task.slope_guess
    return any(
        s.hfr_px > NEAR_ZONES * task.blur_px
        and measure.hfr_px < s.hfr_px / _SHRUNK_TOO_FAST - slope * abs(s.position - position)
        and measure.stars < _MORE_STARS * s.measure.stars
        for s in _seen(samples)
    )


def _seen(samples: list[FocusSample]) -> list[FocusSample]:
    return [s for s in samples if s.measure.hfr_px is not None]
