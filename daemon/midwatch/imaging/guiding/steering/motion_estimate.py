"""What one axis of the mount does by itself, separated from what seeing does to the stars.

The uncorrected error of an axis is modelled as the sum of a place that walks at random, a drift
that changes slowly, an unrest that comes and goes within some cycles, and sine waves of the gears;
what the frames show adds seeing that forgets itself within a second or two, and white noise. How
much of each there is differs from mount to mount and from hour to hour, so a bank of Kalman
filters runs side by side, each with its own assumption, and each counts by how well it has
foretold the measurements lately (multiple-model estimation; Bar-Shalom, Li and Kirubarajan 2001,
chapter 11, from memory). All filters work in units of the noise variance, so that their gains do
not depend on it, and each estimates it from its own innovations.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Estimate", "MotionEstimator", "sine_rows"]

FloatArray = NDArray[np.float64]

# Assumptions of the bank, as variances in units of the noise variance: walk of the place in a
# second, walk of the drift in a second (per second squared), unrest, and the part of the noise
# that lasts from one exposure to the next.
_PLACE = (0.0, 2e-3, 3e-2, 0.4)
_DRIFT = (1e-8, 1e-5, 6e-4)
_UNREST = (0.0, 0.12, 0.5)
_SEEING = (0.0, 0.5)
# Unrest is forgotten with this time constant.
_UNREST_MEMORY_S = 20.0
# Seeing of a short exposure forgets itself with this time constant.
_SEEING_MEMORY_S = 1.5
# States before the waves: place, drift, seeing, unrest.
_FIXED = 4
# Memory of the judgement, in cycles. Shorter and chance decides, longer and a mount that changes
# its ways is followed late.
_MEMORY = 150.0
# Noise assumed before anything was seen, and for how many cycles it counts.
_FIRST_NOISE_ARCSEC, _FIRST_CYCLES = 0.5, 4.0
_FIRST_PLACE_ARCSEC, _FIRST_DRIFT_ARCSEC_S = 5.0, 0.05
_FIRST_WAVE_ARCSEC = 4.0
# Waves change a little as other teeth take hold: variance a second, in square arcseconds.
_WAVE_WANDER = 2e-6
# Innovations beyond this many standard deviations are down-weighted: gusts, cosmic rays.
_OUTLIER_SIGMA = 3.0


@dataclass(frozen=True)
class Estimate:
    """What is foretold of the uncorrected error at some instant.

    Attributes:
        place_arcsec: Expected error.
        sigma_arcsec: Standard error of it, without seeing.
    """

    place_arcsec: float
    sigma_arcsec: float


def sine_rows(periods_s: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return cosines and sines of all periods at all times, shape (T, 2 P)."""
    phase = 2.0 * np.pi * time_s[:, None] / periods_s[None, :]
    return np.concatenate([np.cos(phase), np.sin(phase)], axis=1)


class MotionEstimator:
    """A bank of Kalman filters on the uncorrected error of one axis."""

    def __init__(self, periods_s: tuple[float, ...] = ()) -> None:
        """Begin without knowledge; `periods_s` are those of the waves to be learned."""
        self._periods = np.array(periods_s, dtype=np.float64)
        bank = np.array(list(itertools.product(_PLACE, _DRIFT, _UNREST, _SEEING)))
        self._q_place, self._q_drift, self._unrest, self._seeing = bank.T
        size, states = len(bank), _FIXED + 2 * len(periods_s)
        self._x = np.zeros((size, states))
        first2 = _FIRST_NOISE_ARCSEC**2
        start = np.full(states, _FIRST_WAVE_ARCSEC**2 / first2)
        start[:2] = _FIRST_PLACE_ARCSEC**2 / first2, _FIRST_DRIFT_ARCSEC_S**2 / first2
        self._p = np.tile(np.diag(start), (size, 1, 1))
        self._p[:, 2, 2] = self._seeing
        self._p[:, 3, 3] = self._unrest
        self._squares = np.full(size, _FIRST_CYCLES * first2)
        self._cycles = _FIRST_CYCLES
        self._log_spread = np.zeros(size)
        self._time_s: float | None = None
        self._outlier_sign = 0.0

    @property
    def periods_s(self) -> tuple[float, ...]:
        """Periods of the waves that are learned."""
        return tuple(float(p) for p in self._periods)

    @property
    def _noise2(self) -> FloatArray:
        """Noise variance by each filter, shape (M,)."""
        noise2: FloatArray = self._squares / self._cycles
        return noise2

    @property
    def weights(self) -> FloatArray:
        """How much each filter counts, shape (M,), summing to one."""
        log = -0.5 * (self._cycles * np.log(self._noise2) + self._log_spread)
        weight: FloatArray = np.exp(log - log.max())
        weight /= weight.sum()
        return weight

    @property
    def noise_arcsec(self) -> float:
        """Standard deviation of a measurement about the mount's true error."""
        return float(np.sqrt(self.weights @ (self._noise2 * (1.0 + self._seeing))))

    @property
    def drift_arcsec_s(self) -> float:
        """Drift besides the waves."""
        return float(self.weights @ self._x[:, 1])

    @property
    def waves(self) -> tuple[tuple[float, float, float], ...]:
        """Period in seconds, cosine and sine amplitude in arcseconds of each wave."""
        count = len(self._periods)
        mean = self.weights @ self._x[:, _FIXED:]
        return tuple(
            (float(self._periods[i]), float(mean[i]), float(mean[count + i])) for i in range(count)
        )

    def periodic_arcsec(self, time_s: FloatArray) -> FloatArray:
        """Return the periodic error of the uncorrected axis at all times, shape (T,)."""
        mean = self.weights @ self._x[:, _FIXED:]
        curve: FloatArray = sine_rows(self._periods, time_s) @ mean
        return curve

    def disturb(self, sigma_arcsec: float) -> None:
        """Note that the place may have changed by this much: a pulse not quite as asked."""
        self._p[:, 0, 0] += sigma_arcsec**2 / self._noise2

    def inform(self, time_s: float, place_arcsec: float, error_arcsec: float = 0.0) -> float:
        """Take in a measurement of the uncorrected error.

        Args:
            time_s: Middle of the exposure.
            place_arcsec: The error as measured.
            error_arcsec: Standard error that the centroids know of, beyond the usual noise; it
                lets measurements through thin cloud count less.

        Returns:
            The innovation in standard deviations.
        """
        self._advance(time_s)
        row = self._row(time_s)
        gain = self._p @ row
        noise2 = self._noise2
        extra = max(error_arcsec**2 - float(np.min(noise2)), 0.0) / noise2
        spread = gain @ row + 1.0 + extra
        innovation = place_arcsec - self._x @ row
        weight = self.weights
        z = float(weight @ innovation) / float(np.sqrt(weight @ (noise2 * spread)))
        if abs(z) > _OUTLIER_SIGMA:
            if np.sign(z) == self._outlier_sign:
                # Twice in a row the same way is no gust: the place has jumped.
                self._p[:, 0, 0] += innovation**2 / noise2
                gain = self._p @ row
                spread = gain @ row + 1.0 + extra
                self._outlier_sign = 0.0
            else:
                spread = spread * (abs(z) / _OUTLIER_SIGMA) ** 2
                self._outlier_sign = float(np.sign(z))
        else:
            self._outlier_sign = 0.0
        gain = gain / spread[:, None]
        self._x += gain * innovation[:, None]
        self._p -= spread[:, None, None] * gain[:, :, None] * gain[:, None, :]
        keep = 1.0 - 1.0 / _MEMORY
        self._cycles = self._cycles * keep + 1.0
        self._squares = self._squares * keep + innovation**2 / spread
        self._log_spread = self._log_spread * keep + np.log(spread)
        return z

    def foretell(self, time_s: float) -> Estimate:
        """Return the uncorrected error to expect at `time_s`, not before the last measurement.

        Seeing is no part of it. Without any measurement: zero, and as uncertain as it is.
        """
        ahead_s = 0.0 if self._time_s is None else max(time_s - self._time_s, 0.0)
        row = self._row(time_s)
        row[1:_FIXED] = ahead_s, 0.0, np.exp(-ahead_s / _UNREST_MEMORY_S)
        weight = self.weights
        place = self._x @ row
        mean = float(weight @ place)
        spread = np.einsum("i,mij,j->m", row, self._p, row) + self._q_place * ahead_s
        variance = float(weight @ (self._noise2 * spread + (place - mean) ** 2))
        return Estimate(mean, float(np.sqrt(max(variance, 0.0))))

    def _row(self, time_s: float) -> FloatArray:
        """Return what of each state is seen."""
        waves = sine_rows(self._periods, np.array([time_s]))[0]
        return np.concatenate([[1.0, 0.0, 1.0, 1.0], waves])

    def _advance(self, time_s: float) -> None:
        """Bring all filters to an instant: x = F x, P = F P F' + Q for a steady drift."""
        last_s, self._time_s = self._time_s, time_s
        if last_s is None or time_s <= last_s:
            return
        dt = time_s - last_s
        x, p = self._x, self._p
        x[:, 0] += dt * x[:, 1]
        p[:, 0, :] += dt * p[:, 1, :]
        p[:, :, 0] += dt * p[:, :, 1]
        for state, memory_s, variance in (
            (2, _SEEING_MEMORY_S, self._seeing),
            (3, _UNREST_MEMORY_S, self._unrest),
        ):
            fade = float(np.exp(-dt / memory_s))
            x[:, state] *= fade
            p[:, state, :] *= fade
            p[:, :, state] *= fade
            p[:, state, state] += variance * (1.0 - fade**2)
        p[:, 0, 0] += self._q_place * dt + self._q_drift * dt**3 / 3.0
        p[:, 0, 1] += self._q_drift * dt**2 / 2.0
        p[:, 1, 0] += self._q_drift * dt**2 / 2.0
        p[:, 1, 1] += self._q_drift * dt
        waves = np.arange(_FIXED, x.shape[1])
        p[:, waves, waves] += (_WAVE_WANDER * dt / self._noise2)[:, None]
