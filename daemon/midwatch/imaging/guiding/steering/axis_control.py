"""From measured errors to corrections, one axis at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.guiding.steering.backlash import Backlash
from midwatch.imaging.guiding.steering.motion_estimate import Estimate, MotionEstimator
from midwatch.imaging.guiding.steering.proven_drift import proven_drift_arcsec_s
from midwatch.imaging.guiding.steering.spectrum import find_periods

__all__ = ["AxisController", "Correction"]

FloatArray = NDArray[np.float64]

# Part of a correction that may not have happened as asked: quantised pulses, rates off by some
# percent. Larger and each correction shakes the confidence in the model.
_EXECUTION = 0.05
# Cycles between two searches for periods, and how much longer the record must be than before.
_SEARCH_EVERY = 120
_RECORD_CYCLES = 4000
_SAME_PERIOD = 0.01
_AFTER_GAP_ARCSEC = 3.0


@dataclass(frozen=True)
class Correction:
    """What to do on one axis.

    Attributes:
        move_arcsec: Motion of the telescope wanted, east or north positive; 0 for none.
        slack_arcsec: Further motion of the motor in the same direction, to take up backlash.
        expected_arcsec: Error expected in the next exposure if nothing were done.
        sigma_arcsec: Standard error of that.
    """

    move_arcsec: float
    slack_arcsec: float
    expected_arcsec: float
    sigma_arcsec: float


class AxisController:
    """Aims at no error in the middle of the next exposure, seeing left alone.

    Errors are of the telescope against its target, measured ones include seeing. All corrections
    ever made are subtracted, which gives the error the mount would have had. The estimator
    foretells that, and the correction brings the sum to zero at the middle of the next exposure:
    a motion that can be foretold is corrected before it happens.
    """

    def __init__(
        self,
        *,
        most_arcsec: float,
        least_arcsec: float,
        coast_s: float,
        periods_s: tuple[float, ...] = (),
        seek_periods: bool = False,
        backlash: Backlash | None = None,
    ) -> None:
        """Begin without knowledge.

        Args:
            most_arcsec: Largest correction in one cycle.
            least_arcsec: Smaller ones are not made.
            coast_s: How long corrections go on without measurements.
            periods_s: Periods of waves to be learned from the beginning.
            seek_periods: Look for periods in what the mount shows.
            backlash: How the gears of this axis answer; None for an axis that never reverses.
        """
        self.most_arcsec, self.least_arcsec = most_arcsec, least_arcsec
        self._coast_s, self._seek = coast_s, seek_periods
        self._backlash = backlash
        self._estimator = MotionEstimator(periods_s)
        self._corrected_arcsec = 0.0
        self._on_the_way = False
        self._last_s: float | None = None
        self._times: list[float] = []
        self._places: list[float] = []
        self._errors: list[float] = []
        self._next_search = _SEARCH_EVERY
        self.period_found_s: float | None = None

    @property
    def estimator(self) -> MotionEstimator:
        """What is known of the mount."""
        return self._estimator

    @property
    def backlash(self) -> Backlash | None:
        """What is known of the gears."""
        return self._backlash

    @property
    def record(self) -> tuple[FloatArray, FloatArray]:
        """Times in seconds and uncorrected errors in arcseconds as measured, shape (N,) each."""
        return np.array(self._times), np.array(self._places)

    def error(self, time_s: float) -> Estimate:
        """Return the error of the telescope, seeing taken off, at an instant."""
        mount = self._estimator.foretell(time_s)
        return Estimate(mount.place_arcsec + self._corrected_arcsec, mount.sigma_arcsec)

    def retarget(self, move_arcsec: float) -> None:
        """Note that the target has moved by this much: the telescope is off the other way."""
        self._corrected_arcsec -= move_arcsec
        self._on_the_way = True

    def settled(self) -> None:
        """Note that the target is reached."""
        self._on_the_way = False

    def performed(self, move_arcsec: float) -> None:
        """Note a correction as it was performed, backlash apart."""
        if move_arcsec == 0.0:
            return
        self._corrected_arcsec += move_arcsec
        self._estimator.disturb(_EXECUTION * abs(move_arcsec))

    def step(
        self, time_s: float, measured_arcsec: float | None, error_arcsec: float, next_s: float
    ) -> Correction:
        """Take in a cycle and say what to do.

        Args:
            time_s: Middle of the exposure.
            measured_arcsec: Error measured in it; None when no star was seen.
            error_arcsec: Standard error of the centroid, without seeing.
            next_s: Middle of the next exposure.

        Returns:
            The correction. None are made beyond the coasting time, nor before the first
            measurement.
        """
        if measured_arcsec is not None:
            self._take_in(time_s, measured_arcsec, error_arcsec)
        if self._last_s is None or time_s - self._last_s > self._coast_s:
            return Correction(0.0, 0.0, self._corrected_arcsec, float("inf"))
        expected = self.error(next_s)
        wanted = -expected.place_arcsec
        if abs(wanted) < self.least_arcsec:
            wanted = 0.0
        wanted = float(np.clip(wanted, -self.most_arcsec, self.most_arcsec))
        slack = 0.0
        if self._backlash is not None:
            if not self._on_the_way:
                drift_arcsec_s = proven_drift_arcsec_s(self._times, self._places)
                wanted = self._backlash.worth_correcting(
                    wanted, expected.sigma_arcsec, drift_arcsec_s
                )
            wanted, slack = self._backlash.plan(
                wanted, expected.sigma_arcsec, self._estimator.drift_arcsec_s
            )
            if slack != 0.0:
                self._estimator.disturb(0.3 * abs(slack))
        return Correction(wanted, slack, expected.place_arcsec, expected.sigma_arcsec)

    def learn_waves(self, periods_s: tuple[float, ...]) -> None:
        """Begin a new estimator with these periods, and give it the record."""
        fresh = MotionEstimator(periods_s)
        for time_s, place, error in zip(self._times, self._places, self._errors, strict=True):
            fresh.inform(time_s, place, error)
        self._estimator = fresh

    def _take_in(self, time_s: float, measured_arcsec: float, error_arcsec: float) -> None:
        if self._backlash is not None and self._last_s is not None:
            self._backlash.observe(measured_arcsec, self.error(time_s))
        if self._last_s is not None and time_s - self._last_s > self._coast_s:
            # After a long gap the model is no judge of what is an outlier.
            self._estimator.disturb(_AFTER_GAP_ARCSEC)
        place = measured_arcsec - self._corrected_arcsec
        self._estimator.inform(time_s, place, error_arcsec)
        self._last_s = time_s
        self._times.append(time_s)
        self._places.append(place)
        self._errors.append(error_arcsec)
        if len(self._times) > _RECORD_CYCLES:
            half = _RECORD_CYCLES // 2
            self._times, self._places = self._times[half:], self._places[half:]
            self._errors = self._errors[half:]
        if self._seek and len(self._times) >= self._next_search:
            self._search()

    def _search(self) -> None:
        self._next_search = len(self._times) + max(_SEARCH_EVERY, len(self._times) // 4)
        if self._next_search > _RECORD_CYCLES:
            self._next_search = _RECORD_CYCLES // 2 + _SEARCH_EVERY
        found = find_periods(*self.record)
        if not found:
            return
        self.period_found_s = found[0][0]
        periods = tuple(period for period, _ in found)
        known = self._estimator.periods_s
        same = len(known) == len(periods) and all(
            abs(a / b - 1.0) < _SAME_PERIOD
            for a, b in zip(sorted(known), sorted(periods), strict=True)
        )
        if not same:
            self.learn_waves(periods)
