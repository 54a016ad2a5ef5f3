"""Where to sample next in a focus run, and when it is over: asked and told, without devices.

Far from focus the radius of a star grows in proportion to the distance, so one or two samples
tell where focus must be; near it a few samples on either side are fitted with a curve, and a last
one at the minimum confirms it. How fast the radius grows follows from optics and pixels alone:
over one critical focus zone, 4.88 lambda N^2 in all, the blur's radius grows by 2.44 lambda N, and
the half-flux radius of a uniform disc is 1/sqrt(2) of its radius.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from midwatch.imaging.focus_curve import FocusFit
from midwatch.imaging.focus_samples import FocusMeasure, FocusSample, fit_samples, mark_spoiled
from midwatch.imaging.focus_verdict import (
    FocusTrouble,
    FocusVerdict,
    failed,
    judge_fit,
    succeeded,
)

__all__ = ["FocusAsk", "FocusSearch", "FocusTask", "zone_blur_px"]

_Course = Generator["FocusAsk", FocusMeasure, FocusVerdict]
_Part = Generator["FocusAsk", FocusMeasure, None]

# Within so many zones of focus sampling begins at once; from further off it first goes nearer.
# More: sweeps grow long; less: runs that begin well waste exposures on going nearer.
_NEAR_ZONES = 4.0
_MOST_JUMPS = 6
# Where no star is seen it looks this far on either side, three times further at most.
_BLIND_ZONES, _BLIND_TURNS = 10.0, 3
# Samples of a run that began near focus, before the one or two of its confirmation; more only
# where cloud and wind left too few good ones.
_USUAL_SAMPLES, _MOST_SAMPLES = 7, 12
# Wings should rise to about twice the minimum: further out they weigh nothing, less far they do
# not tell the middle. One sample distance, in widths of the curve (minimum over slope).
_STEP_WIDTHS = 0.75
# Of the rig's own sample distance; more, and a start off focus, blurred, makes steps too wide.
_WIDEST_STEP = 1.2
_RISEN, _FAR_RISEN = 1.5, 2.2
# Standard error at which no more samples are wanted, zones.
_ENOUGH_ZONES = 0.08
# How much the radius at the best position may exceed the curve's: seeing changes by as much
# between exposures; a focuser that is elsewhere shows more.
_CONFIRM_SHARE, _CONFIRM_SIGMAS = 0.12, 3.5
_ROUNDS = 2
# How surely a frame without stars says that focus is not there, in logarithms of the radius:
# clouds do the same.
_BLANK_ERROR = 0.4


def zone_blur_px(wavelength_nm: float, f_ratio: float, pixel_um: float) -> float:
    """Return by how much one critical focus zone enlarges the half-flux radius, far from focus.

    2.44 lambda N / sqrt(2): the zone is 4.88 lambda N^2, defocus over N is the blur's diameter,
    and half the light of a uniform disc is inside 0.7071 of its radius. A central obstruction
    makes it up to 6 percent more (0.7492 at 35 percent), which is left out.
    """
    return 2.44e-3 * wavelength_nm * f_ratio / math.sqrt(2.0) / pixel_um


@dataclass(frozen=True, slots=True)
class FocusTask:
    """What a search is given.

    Attributes:
        start: where focus is expected.
        step: distance of samples that whoever set up the rig thinks right.
        zone_steps: total depth of the critical focus zone; None where the focuser's steps are
            not known in micrometres: it is then taken from the curve itself.
        blur_px: as `zone_blur_px` gives.
        lowest, highest: positions that may be sampled.
        expected_hfr_px: at focus, where known.
    """

    start: int
    step: int
    zone_steps: float | None
    blur_px: float
    lowest: int
    highest: int
    expected_hfr_px: float | None = None

    @property
    def zone_guess(self) -> float:
        """Zone in steps; samples are usually set up about that far apart."""
        return self.zone_steps if self.zone_steps is not None else float(self.step)

    @property
    def slope_guess(self) -> float:
        """Radius gained a step, far from focus."""
        return self.blur_px / self.zone_guess


@dataclass(frozen=True, slots=True)
class FocusAsk:
    """The next position; `from_below` asks for taking up the backlash before arriving."""

    position: int
    from_below: bool
    why: Literal["find", "sweep", "confirm"]


class FocusSearch:
    """One focus run. While `wanted` is not None, go there, expose and `tell` what is seen.

    Attributes:
        wanted: the next position, None when the run is over.
        verdict: how it ended, None while it runs.
        samples: all that was told so far, with what spoiled it.
        coarse: whether it began so far off that it had to find focus first.
    """

    def __init__(self, task: FocusTask) -> None:
        self._task = task
        self._last: int | None = None
        self._fresh = 0
        self.coarse = False
        self.samples: list[FocusSample] = []
        self.verdict: FocusVerdict | None = None
        self._course = self._run()
        self.wanted: FocusAsk | None = next(self._course)

    def tell(self, measure: FocusMeasure) -> None:
        """Take in what the frame at the wanted position shows.

        Raises:
            ValueError: the run is over.
        """
        if self.wanted is None:
            raise ValueError("the focus run is over: nothing is wanted")
        try:
            self.wanted = self._course.send(measure)
        except StopIteration as end:
            self.wanted, self.verdict = None, end.value

    def _run(self) -> _Course:
        task = self._task
        yield from self._approach()
        if not self._seen():
            return failed(self._told(), "no_stars", "no stars were found at any position")
        centre, fit = self._guess(), fit_samples([])
        for number in range(_ROUNDS):
            fit = yield from self._fine(centre)
            trouble = judge_fit(fit, self._current(), task)
            if trouble is not None:
                return failed(self._told(), trouble, self._why_not(trouble, fit))
            best = round(fit.best_position)
            seen = yield from self._confirm(best, fit)
            if seen is None or self._agrees(seen, fit):
                return succeeded(self._told(), fit, None if seen is None else seen.hfr_px, task)
            if number + 1 < _ROUNDS:
                # Something moved between the samples: they no longer hold together.
                centre, self._fresh = best, len(self.samples)
        return failed(
            self._told(),
            "unconfirmed",
            f"the curve ({fit.reason}) promises {fit.best_hfr:.2f} px, the frame there does not "
            "show it: the focuser does not come back to where it was",
        )

    # Going near ------------------------------------------------------------------------------

    def _approach(self) -> _Part:
        """Sample until one is near focus, or nothing more can be tried."""
        yield from self._sample(self._task.start, "find")
        yield from self._blindly()
        for _ in range(_MOST_JUMPS):
            if self._nearest_zones() <= _NEAR_ZONES or not self._seen():
                return
            if len(self._seen()) >= 3 and self._unchanged():
                return
            self.coarse = True
            yield from self._sample(self._guess(), "find")

    def _blindly(self) -> _Part:
        """Without a star, look once more, then further and further out on either side."""
        if not self._seen():
            yield from self._sample(self._task.start, "find")
        reach = _BLIND_ZONES * self._task.zone_guess
        for turn in range(1, _BLIND_TURNS + 1):
            for side in (1, -1):
                if self._seen():
                    return
                position = self._inside(self._task.start + side * turn * reach)
                if all(sample.position != position for sample in self.samples):
                    self.coarse = True
                    yield from self._sample(position, "find")

    def _guess(self) -> int:
        """Return where focus must be by the samples' radii and the slope that optics give."""
        task = self._task
        seen = self._seen()
        if self._nearest_zones() <= _NEAR_ZONES and not self.coarse:
            return seen[-1].position
        reach = 45.0 * task.zone_guess
        p = np.array([s.position for s in seen], dtype=float)
        h = np.array([s.hfr_px for s in seen])
        low = max(float(task.lowest), p.min() - reach)
        high = min(float(task.highest), p.max() + reach)
        # Where steps are not known in micrometres the slope is known to a factor only.
        spread = 0.15 if task.zone_steps is not None else 0.7
        factor = np.linspace(-3.0, 3.0, 25)
        best = np.linspace(low, high, max(2, round((high - low) / (0.3 * task.zone_guess))))
        slope = task.slope_guess * np.exp(spread * factor)
        model = np.hypot(0.5 * task.blur_px, slope[:, None, None] * (p - best[None, :, None]))
        # The rims of wide discs drown in the background, which makes them seem smaller.
        error = 0.1 + 0.02 * h / task.blur_px
        off = np.sum((np.log(h / model) / error) ** 2, axis=2) + factor[:, None] ** 2
        # Where no star was found, stars are more blurred than the most blurred found elsewhere.
        for blank in (s.position for s in self.samples if s.measure.hfr_px is None):
            there = np.maximum(slope[:, None] * np.abs(blank - best), 0.5 * task.blur_px)
            off += np.maximum(np.log(h.max() / there) / _BLANK_ERROR, 0.0) ** 2
        return round(float(best[int(np.argmin(off.min(axis=0)))]))

    def _nearest_zones(self) -> float:
        """Return how far from focus the sharpest sample can be, zones."""
        return min((s.hfr_px for s in self._seen()), default=math.inf) / self._task.blur_px

    def _unchanged(self) -> bool:
        """Tell whether radii stay the same over positions where they could not."""
        seen = self._seen()
        radii = [s.hfr_px for s in seen]
        span = max(s.position for s in seen) - min(s.position for s in seen)
        return span > 4.0 * self._task.zone_guess and max(radii) < 1.15 * min(radii)

    # Near focus ------------------------------------------------------------------------------

    def _fine(self, centre: int) -> Generator[FocusAsk, FocusMeasure, FocusFit]:
        """Sample both sides of focus and fit, until the fit is good or the exposures are used."""
        before = len(self._near_unused(centre))
        usual = _USUAL_SAMPLES + (before if self.coarse or self._fresh else 0)
        most = usual + _MOST_SAMPLES - _USUAL_SAMPLES
        step = self._step()
        yield from self._sweep(self._inside(centre - 2 * step), centre + 2 * step, step)
        if self._nearest_zones() > _NEAR_ZONES and not self._unchanged():
            # It was not there; what was seen says better where it is.
            centre, step = self._guess(), self._step()
            most += _MOST_JUMPS
            yield from self._sweep(self._inside(centre - 2 * step), centre + 2 * step, step)
        repeated = False
        while True:
            step = self._step()
            fit = fit_samples(self._current())
            used = len(self.samples)
            good = judge_fit(fit, self._current(), self._task) is None
            if used >= most or (used >= usual and good) or self._unchanged():
                return fit
            lacking = self._lacking(step)
            if lacking is not None:
                yield from self._sweep(*lacking, step)
                continue
            zone = self._task.zone_steps or self._task.blur_px / max(fit.slope, 1e-9)
            if good and fit.uncertainty_steps <= _ENOUGH_ZONES * zone:
                return fit
            spoiled = [s for s in self._current() if s.spoiled in ("cloud", "no stars")]
            if spoiled and not repeated:
                repeated = True
                yield from self._sample(spoiled[-1].position, "sweep")
            else:
                yield from self._sample(self._useful(fit, step), "sweep")

    def _near_unused(self, centre: int) -> list[FocusSample]:
        """Return the samples that the coming sweep cannot use."""
        reach = 3.0 * self._step()
        first = self._fresh
        return [
            s
            for i, s in enumerate(self.samples)
            if i < first or s.measure.hfr_px is None or abs(s.position - centre) > reach
        ]

    def _step(self) -> int:
        """Return the distance of samples that lets the wings rise to about twice the minimum."""
        task = self._task
        floor = min([s.hfr_px for s in self._seen()] + [task.expected_hfr_px or math.inf])
        if task.zone_steps is None or not math.isfinite(floor):
            return task.step
        own = _STEP_WIDTHS * floor / task.slope_guess
        return max(1, round(min(max(own, 0.5 * task.step), _WIDEST_STEP * task.step)))

    def _sweep(self, first: int, last: int, step: int) -> _Part:
        """Sample upwards; end early once the radius has clearly turned up."""
        position = first
        while position <= self._inside(last):
            # What was sampled on the way to focus need not be sampled again.
            if all(abs(s.position - position) > 0.4 * step for s in self._clear()):
                yield from self._sample(position, "sweep")
                clear = self._clear()
                sharpest = min(clear, key=lambda s: s.hfr_px, default=None)
                if sharpest is not None:
                    above = [s for s in clear if sharpest.position < s.position <= position]
                    if len(above) >= 2 and above[-1].hfr_px > _FAR_RISEN * sharpest.hfr_px:
                        return
            position += step

    def _lacking(self, step: int) -> tuple[int, int] | None:
        """Return the first and last position of the side of the curve not yet seen."""
        clear = self._clear()
        if not clear or self._unchanged():
            return None
        sharpest = min(clear, key=lambda s: s.hfr_px)
        above = [s.hfr_px for s in clear if s.position > sharpest.position]
        below = [s.hfr_px for s in clear if s.position < sharpest.position]
        # Where a frame shows no stars at the edge of what was sampled, look beyond it.
        edges = [s.position for s in self._current() if not s.spoiled] or [sharpest.position]
        top, bottom = max(edges), min(edges)
        rise = _RISEN * sharpest.hfr_px
        if (len(above) < 2 or max(above) < rise) and top + step <= self._task.highest:
            return top + step, top + step
        if (len(below) < 2 or max(below) < rise) and bottom - step >= self._task.lowest:
            missing = max(1, 2 - len(below))
            first = self._inside(bottom - missing * step)
            return first, bottom - step
        return None

    def _useful(self, fit: FocusFit, step: int) -> int:
        """Return the position, about one curve width out, furthest from those sampled."""
        middle, width = fit.best_position, 1.5 * step
        if math.isfinite(middle) and fit.slope > 0:
            width = min(max(fit.best_hfr / fit.slope, 0.5 * step), 2.5 * step)
        else:
            clear = self._clear()
            middle = float(min(clear, key=lambda s: s.hfr_px).position if clear else self._guess())
        options = [
            self._inside(middle + side * out * width)
            for out in (1.3, 0.9, 1.7, 0.5)
            for side in (-1.0, 1.0)
        ]
        taken = [s.position for s in self._current()] or [self._task.start]
        return max(options, key=lambda p: min(abs(p - t) for t in taken))

    def _confirm(
        self, best: int, fit: FocusFit
    ) -> Generator[FocusAsk, FocusMeasure, FocusSample | None]:
        """Look at the best position, twice if the first look disagrees; None without stars."""
        seen = None
        for _ in range(2):
            yield from self._sample(best, "confirm")
            seen = self.samples[-1] if self.samples[-1].measure.hfr_px is not None else None
            if seen is not None and self._agrees(seen, fit):
                break
        return seen

    def _agrees(self, seen: FocusSample, fit: FocusFit) -> bool:
        allowed = max(_CONFIRM_SHARE * fit.best_hfr, _CONFIRM_SIGMAS * seen.sigma_px)
        # A curve through noise may promise too much: as sharp as the sharpest will do.
        sharpest = min([s.hfr_px for s in self._clear() if s is not seen], default=0.0)
        return seen.hfr_px <= max(fit.best_hfr, sharpest) + allowed

    # Bookkeeping -----------------------------------------------------------------------------

    def _sample(self, position: int, why: Literal["find", "sweep", "confirm"]) -> _Part:
        position = self._inside(position)
        from_below = self._last is None or position < self._last
        measure = yield FocusAsk(position, from_below, why)
        self._last = position
        self.samples.append(FocusSample(position, measure))
        self.samples[self._fresh :] = mark_spoiled(self.samples[self._fresh :])

    def _inside(self, position: float) -> int:
        return round(min(max(position, self._task.lowest), self._task.highest))

    def _current(self) -> list[FocusSample]:
        """Return the samples of this round."""
        return self.samples[self._fresh :]

    def _seen(self) -> list[FocusSample]:
        return [s for s in self.samples if s.measure.hfr_px is not None]

    def _clear(self) -> list[FocusSample]:
        """Return the samples of this round that nothing spoiled, by position."""
        clear = [s for s in self._current() if s.measure.hfr_px is not None and not s.spoiled]
        return sorted(clear, key=lambda s: s.position)

    def _told(self) -> tuple[tuple[FocusSample, ...], bool]:
        return tuple(self.samples), self.coarse

    def _why_not(self, trouble: FocusTrouble, fit: FocusFit) -> str:
        if trouble == "unchanged":
            return (
                "the stars stay the same size over positions where they cannot: "
                "does the focuser really move the camera?"
            )
        if trouble == "at_end":
            return (
                f"focus lies beyond the end of the focuser's travel ({self._task.lowest} to "
                f"{self._task.highest}): {fit.reason}"
            )
        return fit.reason
