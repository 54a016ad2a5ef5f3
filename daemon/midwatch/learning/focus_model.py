"""Where best focus is at a temperature and with a filter, learned from focus runs of all nights.

A straight line against temperature, with an offset for each night (the rig may have been set up
afresh) and one for each filter whose offset is not declared. What is not known yet has a wide
prior instead, so that every prediction comes with an honest uncertainty.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from midwatch.journal.facts import FocusRun, NightBegan
from midwatch.journal.store import Event
from midwatch.sky import critical_focus_zone_um

__all__ = [
    "FilterOffset",
    "FocusMemory",
    "FocusModel",
    "FocusPoint",
    "FocusScale",
    "fit_focus_model",
    "tube_shift_um_per_c",
]

FloatArray = NDArray[np.float64]

_WAVELENGTH_NM = 550.0
ALUMINIUM_PER_K = 23.1e-6  # linear expansion at 20 C, handbook value

# Nights that count. Too few: few temperatures; too many: a rig that was rebuilt long ago.
_NIGHTS = 30
# The tube alone moves focus by its expansion; the lens adds about as much (common practice, no
# source). Too low: the first degrees of a first night go unnoticed; too high: needless runs.
_PRIOR_TUBES = 2.0
# Weights fall beyond so many sigmas (Huber). Too low: good runs are bent away; too high: one run
# that locked on a cloud turns the line.
_HUBER = 2.0
_ROUNDS = 20
# A run is never believed to be better than this share of the zone.
_RUN_FLOOR_ZONES = 0.05
# Spread of set-ups from night to night, and of filters without a declared offset, zones.
_NIGHT_ZONES, _FILTER_ZONES = 2.0, 5.0
# When the slope is trusted. Less: a line through noise moves the focuser; more: it is never used.
_TRUST_RUNS, _TRUST_SPREAD_C = 4, 2.5
_TRUST_OVER_C, _TRUST_ZONES = 5.0, 0.25
_FILTER_TRUST_ZONES = 0.25
_KNOWN_NIGHTS = 3  # from which their spread is taken from themselves
_ANYWHERE_STEPS = 1e6


def tube_shift_um_per_c(length_mm: float) -> float:
    """Return by how much an aluminium tube shrinks for each degree, micrometres (alpha L)."""
    return ALUMINIUM_PER_K * length_mm * 1000.0


@dataclass(frozen=True, slots=True)
class FocusScale:
    """What the rig's optics say before anything is learned.

    Attributes:
        zone_steps: total depth of the critical focus zone.
        slope_sigma: spread of slopes that such a rig may have, steps a degree.
        declared: offsets of filters, steps, as the rig file says.
    """

    zone_steps: float
    slope_sigma: float
    declared: Mapping[str, int] = field(default_factory=dict)

    @classmethod
    def of_rig(
        cls,
        focal_length_mm: float,
        aperture_mm: float,
        steps_per_um: float | None,
        step: int,
        declared: Mapping[str, int],
    ) -> FocusScale:
        """Return the scale of a rig; without `steps_per_um` the samples of a run give it.

        Who sets up a rig chooses the distance of samples near the critical focus zone.
        """
        zone_um = critical_focus_zone_um(_WAVELENGTH_NM, focal_length_mm / aperture_mm)
        per_um = steps_per_um if steps_per_um is not None else step / zone_um
        slope = _PRIOR_TUBES * tube_shift_um_per_c(focal_length_mm) * per_um
        return cls(zone_um * per_um, slope, dict(declared))


@dataclass(frozen=True, slots=True)
class FocusPoint:
    """One good focus run."""

    night: str
    filter: str | None
    temperature_c: float
    position: float
    sigma_steps: float | None = None


@dataclass(frozen=True, slots=True)
class FilterOffset:
    """Steps to add for a filter, as learned."""

    steps: float
    sigma_steps: float
    runs: int


@dataclass(frozen=True, slots=True)
class _Line:
    """A solved set of unknowns: the slope, the nights' offsets, the free filters' offsets.

    Attributes:
        nights: in order, oldest first.
        free: filters that have an unknown of their own.
        start: the undeclared filter from which others are counted, if no declared one was used.
        values: shape (1 + nights + free,); covariance is square over the same.
    """

    nights: tuple[str, ...]
    free: tuple[str, ...]
    start: str | None
    reference_c: float
    values: FloatArray
    covariance: FloatArray

    def row(
        self, shift_c: float, night: str | None, filters: Mapping[str | None, float]
    ) -> FloatArray:
        """Return the weights of the unknowns in a prediction."""
        row = np.zeros(len(self.values))
        row[0] = shift_c
        if night is not None:
            row[1 + self.nights.index(night)] = 1.0
        for name, weight in filters.items():
            if name in self.free:
                row[1 + len(self.nights) + self.free.index(name)] += weight
        return row

    def value(self, row: FloatArray) -> tuple[float, float]:
        """Return a prediction and its standard error."""
        return float(row @ self.values), math.sqrt(max(0.0, float(row @ self.covariance @ row)))


@dataclass(frozen=True, eq=False)
class FocusModel:
    """The learned line.

    Attributes:
        slope_steps_per_c: shift of best focus with temperature; 0 while nothing is known.
        slope_sigma: its standard error; that of the prior while nothing is known.
        trusted: whether the focuser may follow it.
        verdict: why, or why not, for a person.
        filters: learned offsets of filters that the rig file does not declare.
    """

    scale: FocusScale
    night: str
    slope_steps_per_c: float
    slope_sigma: float
    trusted: bool = False
    verdict: str = "no focus run yet"
    filters: Mapping[str, FilterOffset] = field(default_factory=dict)
    line: _Line | None = None

    def predict(
        self, temperature_c: float | None, filter_name: str | None
    ) -> tuple[float, float] | None:
        """Return position and standard error of best focus tonight; None while nothing is known.

        Before the first run of a night the rig is taken to be set up as in the nights before.
        """
        line = self.line
        if line is None or temperature_c is None:
            return None
        shift_c = temperature_c - line.reference_c
        filters = {filter_name: 1.0}
        declared = float(self.scale.declared.get(filter_name or "", 0))
        strange = 0.0 if self._met(filter_name) else _FILTER_ZONES * self.scale.zone_steps
        if self.night in line.nights:
            position, sigma = line.value(line.row(shift_c, self.night, filters))
            return position + declared, math.hypot(sigma, strange)
        latest = [line.value(line.row(shift_c, name, filters)) for name in line.nights[-5:]]
        positions = [position for position, _ in latest]
        spread = _NIGHT_ZONES * self.scale.zone_steps
        if len(positions) >= _KNOWN_NIGHTS:
            spread = max(statistics.stdev(positions), 0.25 * self.scale.zone_steps)
        sigma = math.hypot(latest[-1][1], spread, strange)
        return statistics.median(positions) + declared, sigma

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
        if self.line is not None:
            learned, sigma = self.line.value(self.line.row(0.0, None, {before: -1.0, after: 1.0}))
            steps += learned
        for name in (before, after):
            if not self._met(name):
                sigma = math.hypot(sigma, _FILTER_ZONES * self.scale.zone_steps)
        return steps, sigma

    def shift_known(self, before: str | None, after: str | None) -> bool:
        """Return whether focus found with one filter is good enough for another."""
        _, sigma = self.filter_shift(before, after)
        return sigma <= _FILTER_TRUST_ZONES * self.scale.zone_steps

    def proposals(self) -> dict[str, FilterOffset]:
        """Return the learned offsets that are good enough to be declared; none is declared yet.

        A filter from which others are counted has a meaning only together with one of them.
        """
        if self.line is None or not self.line.free:
            return {}
        limit = _FILTER_TRUST_ZONES * self.scale.zone_steps
        return {name: found for name, found in self.filters.items() if found.sigma_steps <= limit}

    def defocus_steps(self, since_settled_c: float, since_run_c: float) -> float:
        """Return how far focus is expected to have gone, with one standard error on top.

        Args:
            since_settled_c: change of temperature since the focuser was last put right.
            since_run_c: change since focus was last measured; the slope's error grows with it.
        """
        expected = abs(self.slope_steps_per_c * since_settled_c)
        return expected + self.slope_sigma * abs(since_run_c)

    def _met(self, name: str | None) -> bool:
        """Return whether anything is known of a filter."""
        if name is None or name in self.scale.declared:
            return True
        return self.line is not None and (name in self.line.free or name == self.line.start)


def fit_focus_model(points: Iterable[FocusPoint], night: str, scale: FocusScale) -> FocusModel:
    """Fit slope, offsets of nights and of undeclared filters to focus runs, oldest first.

    Weighted least squares with Gaussian priors, reweighted after Huber; where runs scatter more
    than they claim, all errors grow with the scatter. Without points the prior is returned.
    """
    kept = _latest(list(points))
    if not kept:
        return FocusModel(scale, night, 0.0, scale.slope_sigma)
    line = _solve(kept, scale)
    slope, slope_sigma = line.value(line.row(1.0, None, {}))
    trusted, verdict = _judge(len(kept), _spread_c(kept), slope, slope_sigma, scale)
    runs = Counter(point.filter for point in kept)
    filters = {
        name: FilterOffset(*line.value(line.row(0.0, None, {name: 1.0})), runs[name])
        for name in (*line.free, *([line.start] if line.start is not None else []))
    }
    return FocusModel(scale, night, slope, slope_sigma, trusted, verdict, filters, line)


def _latest(points: list[FocusPoint]) -> list[FocusPoint]:
    nights = list(dict.fromkeys(point.night for point in points))[-_NIGHTS:]
    return [point for point in points if point.night in nights]


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


def _spread_c(points: list[FocusPoint]) -> float:
    """Return the largest span of temperatures within one night, degrees."""
    spans: dict[str, list[float]] = {}
    for point in points:
        spans.setdefault(point.night, []).append(point.temperature_c)
    return max(max(span) - min(span) for span in spans.values())


def _solve(points: list[FocusPoint], scale: FocusScale) -> _Line:
    nights = tuple(dict.fromkeys(point.night for point in points))
    free, start = _free_filters(points, scale)
    reference_c = statistics.fmean(point.temperature_c for point in points)
    blank = np.zeros(1 + len(nights) + len(free))
    line = _Line(nights, free, start, reference_c, blank, np.diag(blank))
    design = np.array(
        [
            line.row(point.temperature_c - reference_c, point.night, {point.filter: 1.0})
            for point in points
        ]
    )
    declared = np.array([scale.declared.get(point.filter or "", 0) for point in points])
    seen = np.array([point.position for point in points]) - declared
    floor = _RUN_FLOOR_ZONES * scale.zone_steps
    sigma = np.array([math.hypot(point.sigma_steps or 0.0, floor) for point in points])
    # Nights begin anywhere: a prior of no weight, but for keeping the equations regular.
    wide = [scale.slope_sigma] + [_ANYWHERE_STEPS] * len(nights)
    wide += [_FILTER_ZONES * scale.zone_steps] * len(free)
    prior = np.diag(1.0 / np.square(wide))
    expected = blank.copy()
    expected[1 : 1 + len(nights)] = np.median(seen)
    weights = np.ones(len(points))
    for _ in range(_ROUNDS):
        scaled = design * (weights / sigma**2)[:, None]
        normal = design.T @ scaled + prior
        values = np.linalg.solve(normal, scaled.T @ seen + prior @ expected)
        off = np.abs(seen - design @ values) / sigma
        weights = np.minimum(1.0, _HUBER / np.maximum(off, 1e-12))
    spare = len(points) - design.shape[1]
    excess = float(np.sum(weights * off**2)) / spare if spare > 0 else 1.0
    covariance = np.linalg.inv(normal) * max(1.0, excess)
    return _Line(nights, free, start, reference_c, values, covariance)


def _judge(
    runs: int, spread_c: float, slope: float, slope_sigma: float, scale: FocusScale
) -> tuple[bool, str]:
    """Say whether the slope may be followed, and why."""
    line = f"{slope:+.1f} +- {slope_sigma:.1f} steps/degC from {runs} runs over {spread_c:.1f} degC"
    if runs < _TRUST_RUNS:
        return False, f"{line}: fewer than {_TRUST_RUNS} runs"
    if spread_c < _TRUST_SPREAD_C:
        return False, f"{line}: no night spans {_TRUST_SPREAD_C:g} degC"
    if slope_sigma * _TRUST_OVER_C > _TRUST_ZONES * scale.zone_steps:
        return False, (
            f"{line}: over {_TRUST_OVER_C:g} degC its error is more than {_TRUST_ZONES:g} of the "
            f"critical focus zone of {scale.zone_steps:.0f} steps"
        )
    return True, line


class FocusMemory:
    """All good focus runs of a journal, and the model that they make; grows with the night.

    Nights of other rigs in the same journal teach nothing.
    """

    def __init__(
        self, events: Iterable[Event], night: str, scale: FocusScale, rig: str | None = None
    ) -> None:
        self._night = night
        self._scale = scale
        self._rig = rig
        self._rigs: dict[str, str] = {}
        self._points: list[FocusPoint] = []
        self._model: FocusModel | None = None
        for event in events:
            self.hear(event)

    def hear(self, event: Event) -> None:
        """Take in an event; only good focus runs with a temperature teach anything."""
        run = event.fact
        if isinstance(run, NightBegan):
            self._rigs[event.night] = run.rig
        if self._rig is not None and self._rigs.get(event.night, self._rig) != self._rig:
            return
        if not isinstance(run, FocusRun) or not run.ok:
            return
        if run.best_position is None or run.temperature_c is None:
            return
        self._points.append(
            FocusPoint(
                event.night,
                run.filter,
                run.temperature_c,
                run.best_position,
                run.uncertainty_steps,
            )
        )
        self._model = None

    @property
    def model(self) -> FocusModel:
        """The model as of now."""
        if self._model is None:
            self._model = fit_focus_model(self._points, self._night, self._scale)
        return self._model
