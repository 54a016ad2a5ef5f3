"""Least squares of focus runs, once for each lag that the lens may have behind the probe.

For a given lag best focus is a sum of unknowns: the slope times the temperature as a body of that
lag feels it, an offset for each night (the rig may have been set up afresh), one for each filter
whose offset is not declared, and, since nobody knows how warm the lens was when the night's first
reading was taken, a remainder for each night that fades with the lag. Gaussian priors keep it
solvable.

How well each lag explains the runs is its evidence (the marginal likelihood of a linear model),
with the scatter of the best one as the measure; so few runs leave many lags open, and say so.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.learning.focus_points import FocusPoint, FocusScale
from midwatch.learning.probe_history import LAGS_MIN, ProbeHistory

__all__ = ["FILTER_ZONES", "Layout", "Solution", "solve_lags"]

FloatArray = NDArray[np.float64]

# Weights fall beyond so many sigmas (Huber). Too low: good runs are bent away; too high: one run
# that locked on a cloud turns the line.
_HUBER = 2.0
_ROUNDS = 12
# A run is never believed to be better than this share of the zone.
_RUN_FLOOR_ZONES = 0.05
# Spread of filters without a declared offset, zones.
FILTER_ZONES = 5.0
_ANYWHERE_STEPS = 1e6
# Air changes by so much an hour before dusk, and bodies that lag begin the night off by it. Less:
# the first hours of a night pass for a slope; more: a night begins with needless runs.
_RATE_C_PER_H, _MOST_OFF_C = 2.0, 3.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Which unknown is where: the slope, the nights' offsets, their fading remainders, filters.

    Attributes:
        nights: in order, oldest first.
        free: filters that have an unknown of their own.
        start: the undeclared filter from which others are counted, if no declared one was used.
        reference_c: temperature from which the slope counts.
    """

    nights: tuple[str, ...]
    free: tuple[str, ...]
    start: str | None
    reference_c: float

    @classmethod
    def of(cls, points: list[FocusPoint], scale: FocusScale) -> Layout:
        """Return the layout for a set of runs."""
        nights = tuple(dict.fromkeys(point.night for point in points))
        free, start = _free_filters(points, scale)
        reference_c = statistics.fmean(point.temperature_c for point in points)
        return cls(nights, free, start, reference_c)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 1 + 2 * len(self.nights) + len(self.free)

    def remainder(self, night: str) -> int:
        """Return where a night's fading remainder is."""
        return 1 + len(self.nights) + self.nights.index(night)

    def rows(
        self, felt: ProbeHistory | None, night: str | None, filters: Mapping[str | None, float]
    ) -> FloatArray:
        """Return the weights of the unknowns in a position, shape (lags, unknowns)."""
        rows = np.zeros((len(LAGS_MIN), self.size))
        if felt is not None:
            rows[:, 0] = felt.lagged_c - self.reference_c
        if night is not None:
            rows[:, 1 + self.nights.index(night)] = 1.0
            if felt is not None:
                rows[:, self.remainder(night)] = felt.fading
        for name, weight in filters.items():
            if name in self.free:
                rows[:, 1 + 2 * len(self.nights) + self.free.index(name)] += weight
        return rows


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The unknowns for each lag, and how much each lag is to be believed.

    Attributes:
        values: shape (lags, unknowns).
        covariance: shape (lags, unknowns, unknowns).
        log_evidence: shape (lags,), up to a common constant.
    """

    layout: Layout
    values: FloatArray
    covariance: FloatArray
    log_evidence: FloatArray


def solve_lags(points: list[FocusPoint], scale: FocusScale) -> Solution:
    """Fit all unknowns to runs for every lag of the grid, reweighted after Huber."""
    layout = Layout.of(points, scale)
    designs = np.stack(
        [layout.rows(p.felt, p.night, {p.filter: 1.0}) for p in points], axis=1
    )  # shape (lags, runs, unknowns)
    declared = np.array([scale.declared.get(point.filter or "", 0) for point in points])
    seen = np.array([point.position for point in points]) - declared
    floor = _RUN_FLOOR_ZONES * scale.zone_steps
    sigma = np.array([math.hypot(point.sigma_steps or 0.0, floor) for point in points])
    expected = np.zeros(layout.size)
    expected[1 : 1 + len(layout.nights)] = np.median(seen)
    wide = _priors(layout, scale)
    values, normals, losses = _reweighted(designs, seen, sigma, expected, wide)
    # Scatter beyond what runs claim is the measure of all: of errors, and of which lag is better.
    # Remainders do not count as unknowns: their priors hold them.
    spare = len(points) - layout.size + len(layout.nights)
    misfit = np.array([losses_of.runs for losses_of in losses])
    excess = max(1.0, float(misfit.min()) / spare) if spare > 0 else 1.0
    _, log_det = np.linalg.slogdet(normals)
    prior_det = -2.0 * np.sum(np.log(wide), axis=1)
    chi2 = np.array([losses_of.runs + losses_of.prior for losses_of in losses])
    log_evidence = -0.5 * (chi2 / excess + log_det - prior_det)
    covariance: FloatArray = np.asarray(np.linalg.inv(normals) * excess, dtype=np.float64)
    return Solution(layout, values, covariance, log_evidence - log_evidence.max())


@dataclass(frozen=True, slots=True)
class _Loss:
    runs: float
    prior: float


def _reweighted(
    designs: FloatArray, seen: FloatArray, sigma: FloatArray, expected: FloatArray, wide: FloatArray
) -> tuple[FloatArray, FloatArray, list[_Loss]]:
    """Return values, normal matrices and losses for every lag."""
    weights = np.ones(designs.shape[:2])
    precision = 1.0 / wide**2
    diagonal = precision[:, :, None] * np.eye(designs.shape[2])
    aim = precision * expected
    for _ in range(_ROUNDS):
        scaled = designs * (weights / sigma**2)[:, :, None]
        turned = scaled.transpose(0, 2, 1)
        normals = turned @ designs + diagonal
        wanted = (turned @ seen + aim)[:, :, None]
        values = np.asarray(np.linalg.solve(normals, wanted)[:, :, 0], dtype=np.float64)
        off = np.abs(seen - np.einsum("lru,lu->lr", designs, values)) / sigma
        weights = np.minimum(1.0, _HUBER / np.maximum(off, 1e-12))
    losses = np.where(off <= _HUBER, off**2, 2.0 * _HUBER * off - _HUBER**2).sum(axis=1)
    priors = np.sum((values - expected) ** 2 * precision, axis=1)
    return (
        values, normals, [_Loss(float(a), float(b)) for a, b in zip(losses, priors, strict=True)],
    )  # fmt: skip


def _priors(layout: Layout, scale: FocusScale) -> FloatArray:
    """Return the spread of every unknown beforehand, shape (lags, unknowns).

    Nights begin anywhere: a prior of no weight, but for keeping the equations regular.
    """
    nights, lags = len(layout.nights), len(LAGS_MIN)
    wide = np.full((lags, layout.size), _ANYWHERE_STEPS)
    wide[:, 0] = scale.slope_sigma
    off_c = np.minimum(_RATE_C_PER_H * np.array(LAGS_MIN) / 60.0, _MOST_OFF_C)
    wide[:, 1 + nights : 1 + 2 * nights] = (scale.slope_sigma * np.maximum(off_c, 0.01))[:, None]
    wide[:, 1 + 2 * nights :] = FILTER_ZONES * scale.zone_steps
    return wide


def _free_filters(
    points: list[FocusPoint], scale: FocusScale
) -> tuple[tuple[str, ...], str | None]:
    """Return the filters whose offsets are fitted, and the one from which they are counted.

    Those that are declared are counted from the declaration; where none is, the filter with the
    most runs is the start.
    """
    seen = Counter(point.filter for point in points if point.filter is not None)
    unknown = sorted(name for name in seen if name not in scale.declared)
    if not unknown or scale.declared:
        return tuple(unknown), None
    start = min(unknown, key=lambda name: (-seen[name], name))
    return tuple(name for name in unknown if name != start), start
