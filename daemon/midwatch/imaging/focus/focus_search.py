"""Where to sample next in a focus run, and when it is over: questions and answers, without devices.

Far from focus the radius of a star grows in proportion to the distance, so one or two samples
show where focus must be; near it a few samples on either side are fitted with a curve, and a last
one at the minimum confirms it.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Literal

from midwatch.imaging.focus.approach import (
    NEAR_ZONES,
    are_fragments,
    likeliest_focus,
    nearest_zones,
    side_probe,
)
from midwatch.imaging.focus.curve import FocusFit
from midwatch.imaging.focus.samples import FocusMeasure, FocusSample, fit_samples, mark_spoiled
from midwatch.imaging.focus.task import FocusTask, zone_blur_px
from midwatch.imaging.focus.verdict import FocusTrouble, FocusVerdict, failed, judge_fit, succeeded

__all__ = ["FocusAsk", "FocusSearch", "FocusTask", "zone_blur_px"]

_Course = Generator["FocusAsk", FocusMeasure, FocusVerdict]
_Part = Generator["FocusAsk", FocusMeasure, None]

_MOST_JUMPS = 6
# Where no star is seen it looks this far on either side, three times further at most.
_BLIND_ZONES, _BLIND_TURNS = 10.0, 3
# Samples of a run that began near focus, before the one or two of its confirmation; more only
# where cloud and wind left too few good ones.
_USUAL_SAMPLES, _MOST_SAMPLES = 7, 12
# Wings should rise to about twice the minimum: further out they weigh nothing, less far they do
# not show the middle. One sample distance, in widths of the curve (minimum over slope).
_STEP_WIDTHS = 0.75
# Of the rig's own sample distance; more, and a start off focus, blurred, makes steps too wide.
_WIDEST_STEP = 1.2
# No sweep goes further from the sharpest sample than this, in sample distances.
_SWEPT_STEPS = 6
_RISEN, _FAR_RISEN = 1.5, 2.2
# Standard error at which no more samples are wanted, zones.
_ENOUGH_ZONES = 0.08
# How much the radius at the best position may exceed the curve's: seeing changes by as much
# between exposures; a focuser that is elsewhere shows more.
_CONFIRM_SHARE, _CONFIRM_SIGMAS = 0.12, 3.5
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class FocusAsk:
    """The next position; `from_below` asks for taking up the backlash before arriving."""

    position: int
    from_below: bool
    why: Literal["find", "sweep", "confirm"]


class FocusSearch:
    """One focus run. While `wanted` is not None, go there, expose and `inform` what is seen.

    Attributes:
        wanted: the next position, None when the run is over.
        verdict: how it ended, None while it runs.
        samples: all that was given so far, with what spoiled it.
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

    def inform(self, measure: FocusMeasure) -> None:
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
        centre, fit = self._centre(), fit_samples([])
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
            if nearest_zones(self.samples, self._task) <= NEAR_ZONES or not self._seen():
                return
            if len(self._seen()) >= 3 and self._unchanged():
                return
            self.coarse = True
            yield from self._sample(self._nearer(), "find")

    def _nearer(self) -> int:
        """Return where to look next: where focus must be, once the side is known."""
        aside = side_probe(self.samples, self._task)
        return likeliest_focus(self.samples, self._task) if aside is None else aside

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

    def _centre(self) -> int:
        """Return the middle of the sweep to come."""
        if nearest_zones(self.samples, self._task) <= NEAR_ZONES and not self.coarse:
            return self._seen()[-1].position
        return likeliest_focus(self.samples, self._task)

    def _unchanged(self) -> bool:
        """Return whether radii stay the same over positions where they could not."""
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
        if nearest_zones(self.samples, self._task) > NEAR_ZONES and not self._unchanged():
            # It was not there; what was seen says better where it is.
            centre, step = self._centre(), self._step()
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
                if len(self.samples) > used:
                    continue
                # Samples further off exist already: sweeping again would show nothing new.
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
        # What was seen further off, on the way to focus, is no side of the curve.
        reach = _SWEPT_STEPS * step
        swept = [s for s in self._current() if abs(s.position - sharpest.position) <= reach]
        clear = [s for s in clear if abs(s.position - sharpest.position) <= reach]
        above = [s.hfr_px for s in clear if s.position > sharpest.position]
        below = [s.hfr_px for s in clear if s.position < sharpest.position]
        # Where a frame shows no stars at the edge of what was sampled, look beyond it.
        edges = [s.position for s in swept if not s.spoiled]
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
            middle = float(min(clear, key=lambda s: s.hfr_px).position if clear else self._centre())
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
        if are_fragments(self.samples, position, measure, self._task):
            measure = replace(measure, hfr_px=None)
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
