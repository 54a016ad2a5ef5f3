"""Where best focus is, as a function of what the probe has read and of the filter.

Learned from the focus runs of all nights (`lagged_fit`), and from the sizes of stars between them
(`size_evidence`). Slope and lag are not decided upon but weighed: a prediction is the mean over
all that is left open, with the spread of that as its uncertainty. What is not known yet has a wide
prior.

The model is trusted once its predictions have been confirmed by the runs that followed
(`focus_proofs`), not because its line fits what it was drawn through.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from midwatch.learning.focus_points import FocusPoint, FocusScale
from midwatch.learning.focus_proofs import trust
from midwatch.learning.lagged_fit import FILTER_ZONES, Layout, Solution, solve_lags
from midwatch.learning.probe_history import LAGS_MIN, ProbeHistory
from midwatch.learning.size_evidence import SizedLight, sizes_log_likelihood

__all__ = ["Belief", "FilterOffset", "FocusModel", "fit_focus_model", "weigh_by_sizes"]

FloatArray = NDArray[np.float64]

# Nights that count. Too few: few temperatures; too many: a rig that was rebuilt long ago.
_NIGHTS = 30
# Spread of set-ups from night to night, zones.
_NIGHT_ZONES = 2.0
_FILTER_TRUST_ZONES = 0.25
_KNOWN_NIGHTS = 3  # from which their spread is taken from themselves
# Three slopes stand for all that a lag leaves open: nodes and weights of Gauss-Hermite quadrature,
# which keep mean and spread of a normal distribution.
_NODES: FloatArray = np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)])
_NODE_WEIGHTS: FloatArray = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True, slots=True)
class FilterOffset:
    """Steps to add for a filter, as learned."""

    steps: float
    sigma_steps: float
    runs: int


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """Hypotheses of lag and slope, each with all other unknowns given these two, and their weights.

    Attributes:
        lag: shape (hypotheses,), number of the lag in the grid.
        weights: shape (hypotheses,), sum 1.
        values: shape (hypotheses, unknowns).
        covariance: shape (lags, unknowns, unknowns), of the others where the slope is given.
    """

    layout: Layout
    lag: NDArray[np.intp]
    weights: FloatArray
    values: FloatArray
    covariance: FloatArray

    @classmethod
    def of(cls, solution: Solution) -> Belief:
        """Return what a fit leaves open."""
        variance = solution.covariance[:, 0, 0]
        gain = solution.covariance[:, :, 0] / variance[:, None]
        rest = solution.covariance - variance[:, None, None] * gain[:, :, None] * gain[:, None, :]
        away = np.sqrt(variance)[:, None] * _NODES  # shape (lags, nodes)
        values = solution.values[:, None, :] + away[:, :, None] * gain[:, None, :]
        weights = np.exp(solution.log_evidence)[:, None] * _NODE_WEIGHTS
        lags, unknowns = solution.values.shape
        return cls(
            solution.layout,
            np.repeat(np.arange(lags), len(_NODES)),
            (weights / weights.sum()).ravel(),
            values.reshape(-1, unknowns),
            rest,
        )

    def reweighed(self, log_likelihood: FloatArray) -> Belief:
        """Return the belief after more evidence, shape (hypotheses,)."""
        weights = self.weights * np.exp(log_likelihood)
        return replace(self, weights=weights / weights.sum())

    def value(self, rows: FloatArray) -> tuple[float, float]:
        """Return a prediction and its standard error; `rows` has shape (lags, unknowns)."""
        means = np.sum(rows[self.lag] * self.values, axis=1)
        variances = np.einsum("lu,luv,lv->l", rows, self.covariance, rows)[self.lag]
        return _mixed(self.weights, means, variances)

    def shifts(self, night: str, felt_c: FloatArray, faded: FloatArray) -> FloatArray:
        """Return by how much focus shifts, by each hypothesis, steps.

        Args:
            night: whose remainder fades.
            felt_c: shape (..., lags), change of temperature as each body feels it.
            faded: the same of what is left of the remainder.
        """
        moved = felt_c[..., self.lag] * self.values[:, 0]
        if night not in self.layout.nights:
            return moved
        return moved + faded[..., self.lag] * self.values[:, self.layout.remainder(night)]

    def lag_min(self) -> tuple[float, float]:
        """Return the lag and its standard error, minutes."""
        minutes = np.array(LAGS_MIN)[self.lag]
        return _mixed(self.weights, minutes, np.zeros(len(minutes)))


def _mixed(weights: FloatArray, means: FloatArray, variances: FloatArray) -> tuple[float, float]:
    mean = float(weights @ means)
    return mean, math.sqrt(max(0.0, float(weights @ (variances + (means - mean) ** 2))))


@dataclass(frozen=True, eq=False)
class FocusModel:
    """What is known of best focus.

    Attributes:
        slope_steps_per_c: shift of best focus with temperature; 0 while nothing is known.
        slope_sigma: its standard error; that of the prior while nothing is known.
        lag_min: by how much the lens follows the air later than the probe does.
        lag_sigma_min: its standard error; None while nothing is known.
        trusted: whether the focuser may follow it.
        verdict: why, or why not, for a person.
        filters: learned offsets of filters that the rig file does not declare.
    """

    scale: FocusScale
    night: str
    slope_steps_per_c: float
    slope_sigma: float
    lag_min: float = 0.0
    lag_sigma_min: float | None = None
    trusted: bool = False
    verdict: str = "no focus run yet"
    filters: Mapping[str, FilterOffset] = field(default_factory=dict)
    belief: Belief | None = None

    def predict(
        self, felt: ProbeHistory | None, filter_name: str | None
    ) -> tuple[float, float] | None:
        """Return position and standard error of best focus tonight; None while nothing is known.

        Before the first run of a night the rig is taken to be set up as in the nights before.

        Args:
            felt: what the probe has read tonight; None without a probe.
            filter_name: the filter in the beam.
        """
        belief = self.belief
        if belief is None or felt is None:
            return None
        layout, filters = belief.layout, {filter_name: 1.0}
        declared = float(self.scale.declared.get(filter_name or "", 0))
        strange = 0.0 if self._met(filter_name) else FILTER_ZONES * self.scale.zone_steps
        if self.night in layout.nights:
            position, sigma = belief.value(layout.rows(felt, self.night, filters))
            return position + declared, math.hypot(sigma, strange)
        # How warm the lens was at the first reading of those nights says nothing of tonight.
        settled = replace(felt, fading=np.zeros(len(LAGS_MIN)))
        latest = [belief.value(layout.rows(settled, name, filters)) for name in layout.nights[-5:]]
        positions = [position for position, _ in latest]
        spread = _NIGHT_ZONES * self.scale.zone_steps
        if len(positions) >= _KNOWN_NIGHTS:
            spread = max(statistics.stdev(positions), 0.25 * self.scale.zone_steps)
        sigma = math.hypot(latest[-1][1], spread, strange)
        return statistics.median(positions) + declared, sigma

    def shift(self, since: ProbeHistory, now: ProbeHistory) -> tuple[float, float]:
        """Return by how much best focus has moved between two instants of tonight, and the error.

        While nothing is known, no movement is expected, and the prior's is possible.
        """
        felt_c, faded = now.lagged_c - since.lagged_c, now.fading - since.fading
        belief = self.belief
        if belief is None:
            return 0.0, self.slope_sigma * float(np.sqrt(np.mean(felt_c**2)))
        variances = np.zeros(len(LAGS_MIN))
        if self.night in belief.layout.nights:
            at = belief.layout.remainder(self.night)
            variances = belief.covariance[:, at, at] * faded**2
        moved = belief.shifts(self.night, felt_c, faded)
        return _mixed(belief.weights, moved, variances[belief.lag])

    def filter_shift(self, before: str | None, after: str | None) -> tuple[float, float]:
        """Return the steps from the focus of one filter to that of another, and their error.

        Declared offsets have no error. Filters neither declared nor ever focused with have an
        offset of zero and a wide one. None is a rig without a wheel.
        """
        if before == after:
            return 0.0, 0.0
        declared = self.scale.declared
        steps = float(declared.get(after or "", 0) - declared.get(before or "", 0))
        sigma = 0.0
        if self.belief is not None and self.belief.layout.free:
            rows = self.belief.layout.rows(None, None, {before: -1.0, after: 1.0})
            learned, sigma = self.belief.value(rows)
            steps += learned
        for name in (before, after):
            if not self._met(name):
                sigma = math.hypot(sigma, FILTER_ZONES * self.scale.zone_steps)
        return steps, sigma

    def shift_known(self, before: str | None, after: str | None) -> bool:
        """Return whether focus found with one filter is good enough for another."""
        _, sigma = self.filter_shift(before, after)
        return sigma <= _FILTER_TRUST_ZONES * self.scale.zone_steps

    def proposals(self) -> dict[str, FilterOffset]:
        """Return the learned offsets that are good enough to be declared; none is declared yet.

        A filter from which others are counted has a meaning only together with one of them.
        """
        if self.belief is None or not self.belief.layout.free:
            return {}
        limit = _FILTER_TRUST_ZONES * self.scale.zone_steps
        return {name: found for name, found in self.filters.items() if found.sigma_steps <= limit}

    def _met(self, name: str | None) -> bool:
        """Return whether anything is known of a filter."""
        if name is None or name in self.scale.declared:
            return True
        if self.belief is None:
            return False
        return name in self.belief.layout.free or name == self.belief.layout.start


def fit_focus_model(points: Iterable[FocusPoint], night: str, scale: FocusScale) -> FocusModel:
    """Fit slope, lag, offsets of nights and of undeclared filters to focus runs, oldest first.

    Without points the prior is returned.
    """
    kept = _latest(list(points))
    if not kept:
        return FocusModel(scale, night, 0.0, scale.slope_sigma)
    trusted, why = trust(kept, scale)
    model = FocusModel(scale, night, 0.0, scale.slope_sigma, trusted=trusted, verdict=why)
    runs = Counter(point.filter for point in kept)
    return _believing(model, Belief.of(solve_lags(kept, scale)), why, runs)


def weigh_by_sizes(
    model: FocusModel, lights: Sequence[SizedLight], px_per_step: float
) -> FocusModel:
    """Return the model after the lights of tonight have been asked which lags fit them."""
    belief = model.belief
    if belief is None or len(lights) < 2:
        return model
    felt_c = np.array([light.now.lagged_c - light.since.lagged_c for light in lights])
    faded = np.array([light.now.fading - light.since.fading for light in lights])
    found = sizes_log_likelihood(lights, belief.shifts(model.night, felt_c, faded), px_per_step)
    runs: dict[str | None, int] = {name: found.runs for name, found in model.filters.items()}
    why = model.verdict.split(": ", 1)[1]
    return _believing(model, belief.reweighed(found), why, runs)


def _believing(
    model: FocusModel, belief: Belief, why: str, runs: Mapping[str | None, int]
) -> FocusModel:
    """Return a model with its figures as a belief has them."""
    layout = belief.layout
    slope_rows = np.zeros((len(LAGS_MIN), layout.size))
    slope_rows[:, 0] = 1.0
    slope, slope_sigma = belief.value(slope_rows)
    lag, lag_sigma = belief.lag_min()
    names = (*layout.free, *([layout.start] if layout.start is not None else []))
    filters: dict[str, FilterOffset] = {}
    for name in names:
        steps, sigma = belief.value(layout.rows(None, None, {name: 1.0}))
        filters[name] = FilterOffset(steps, sigma, runs.get(name, 0))
    figures = (
        f"{slope:+.1f} +- {slope_sigma:.1f} steps/degC, {lag:.0f} +- {lag_sigma:.0f} min behind "
        "the probe"
    )
    return replace(
        model, slope_steps_per_c=slope, slope_sigma=slope_sigma, lag_min=lag,
        lag_sigma_min=lag_sigma, verdict=f"{figures}: {why}", filters=filters, belief=belief,
    )  # fmt: skip


def _latest(points: list[FocusPoint]) -> list[FocusPoint]:
    nights = list(dict.fromkeys(point.night for point in points))[-_NIGHTS:]
    return [point for point in points if point.night in nights]
