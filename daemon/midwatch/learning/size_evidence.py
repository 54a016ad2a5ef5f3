"""What the sizes of stars between focus runs say of the lag: defocus makes them grow.

A light does not say to which side focus has gone, and seeing changes sizes as well. So lights move
no line; they only tell which of the lags and slopes that runs leave open go together with them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.learning.probe_history import ProbeHistory

__all__ = ["SizedLight", "sizes_log_likelihood"]

FloatArray = NDArray[np.float64]

# Seeing changes sizes by so much, as a logarithm, and keeps its value for so long (common practice,
# no source). Less: a turn of the seeing passes for defocus; more: lights say nothing.
_SEEING, _SEEING_S = 0.15, 1500.0
# Square of the half-flux radius that defocus adds, in squares of that of the blur far from focus:
# a narrow disc widens a Gaussian by a quarter of its squared radius on each axis (2 ln 2 / 4 R^2),
# and half the light of a disc lies inside 0.7071 R.
_ADDED = 2.0 * math.log(2.0) / 4.0 / 0.5


@dataclass(frozen=True, slots=True)
class SizedLight:
    """A light since a focus run.

    Attributes:
        run: number of the run; lights of one run and kind are compared with each other.
        kind: target, filter and binning.
        size_px: half-flux radius, freed of guiding and air mass.
        off_steps: how far from the place of the run it was exposed, filters' offsets taken out.
        since: what the probe had read up to the run; now: up to the light.
    """

    run: int
    kind: str
    at_s: float
    size_px: float
    off_steps: float
    since: ProbeHistory
    now: ProbeHistory


def sizes_log_likelihood(
    lights: Sequence[SizedLight], shifts: FloatArray, blur_px_per_step: float
) -> FloatArray:
    """Return how well each hypothesis agrees with the sizes, as logarithms.

    Args:
        lights: in order.
        shifts: shape (lights, hypotheses), of best focus since the run, steps.
        blur_px_per_step: growth of the half-flux radius by defocus, far from focus.
    """
    total: FloatArray = np.zeros(shifts.shape[1])
    groups: dict[tuple[int, str], list[int]] = {}
    for index, light in enumerate(lights):
        groups.setdefault((light.run, light.kind), []).append(index)
    for members in groups.values():
        if len(members) < 2:
            continue
        sizes = np.array([lights[i].size_px for i in members])
        times = np.array([lights[i].at_s for i in members])
        off = np.array([lights[i].off_steps for i in members])[:, None] - shifts[members]
        base2 = float(np.min(sizes)) ** 2
        grown = 0.5 * np.log1p(_ADDED * (blur_px_per_step * off) ** 2 / base2)
        rest = np.log(sizes)[:, None] - grown
        # Lights within one spell of seeing are one witness.
        worth = np.minimum(1.0, np.diff(times, prepend=times[0] - _SEEING_S) / _SEEING_S)
        middle = (worth[:, None] * rest).sum(axis=0) / worth.sum()
        total -= 0.5 * (worth[:, None] * ((rest - middle) / _SEEING) ** 2).sum(axis=0)
    return total - float(total.max())
