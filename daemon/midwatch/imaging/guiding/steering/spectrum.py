"""Periods in what the mount shows, and the blur it would leave if it were not corrected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Periodogram", "find_periods", "periodogram", "unguided_blur_arcsec"]

FloatArray = NDArray[np.float64]

# Share of the remaining variance that a wave must explain, and false-alarm probability of white
# noise to which that must correspond.
_LEAST_SHARE, _FALSE_ALARM = 0.2, 1e-6
# Fewer turns than this cannot be distinguished from drift.
_FEWEST_TURNS = 1.6
_SHORTEST_CYCLES = 6.0
_MOST_POINTS = 1200


@dataclass(frozen=True, eq=False)
class Periodogram:
    """Amplitude against period; each column of shape (N,).

    Attributes:
        period_s: Periods, longest first.
        amplitude_arcsec: Amplitude of the wave of that period fitted with drift and offset.
        share: Part of the variance about the straight line that it explains, 0 to 1.
    """

    period_s: FloatArray
    amplitude_arcsec: FloatArray
    share: FloatArray


def periodogram(
    time_s: FloatArray, error_arcsec: FloatArray, known_s: FloatArray | None = None
) -> Periodogram:
    """Return the least-squares periodogram of an uncorrected error, drift and offset floating.

    For every trial period a cosine and a sine are fitted together with a parabola and the waves
    already known, so that gaps do no harm (Lomb 1976 with floating mean; Zechmeister and Kuerster
    2009, from memory).

    Args:
        time_s: Times, ascending, shape (N,).
        error_arcsec: Error at these times.
        known_s: Periods already found, taken out of the data.

    Returns:
        Trial periods from the record's length down to some cycles; empty for a short record.
    """
    empty = Periodogram(np.empty(0), np.empty(0), np.empty(0))
    if len(time_s) < 24:
        return empty
    time_s, error_arcsec = _thinned(time_s, error_arcsec)
    span = float(time_s[-1] - time_s[0])
    shortest = _SHORTEST_CYCLES * span / len(time_s)
    lowest, highest = _FEWEST_TURNS / span, 1.0 / shortest
    if span <= 0 or highest <= lowest:
        return empty
    count = int(np.ceil((highest - lowest) * span * 5)) + 1
    frequency = np.linspace(lowest, highest, min(count, 1500))
    base = _base(time_s, known_s)
    basis, _ = np.linalg.qr(base)
    rest = error_arcsec - basis @ (basis.T @ error_arcsec)
    total = float(rest @ rest)
    phase = 2.0 * np.pi * np.outer(time_s - time_s[0], frequency)
    cosine, sine = np.cos(phase), np.sin(phase)
    # Of each wave only what the base does not already hold.
    cosine -= basis @ (basis.T @ cosine)
    sine -= basis @ (basis.T @ sine)
    cc, ss, cs = (cosine**2).sum(0), (sine**2).sum(0), (cosine * sine).sum(0)
    yc, ys = rest @ cosine, rest @ sine
    determinant = np.maximum(cc * ss - cs**2, 1e-12 * cc * ss + 1e-300)
    a, b = (yc * ss - ys * cs) / determinant, (ys * cc - yc * cs) / determinant
    share = np.clip((a * yc + b * ys) / max(total, 1e-300), 0.0, 1.0)
    return Periodogram(1.0 / frequency, np.hypot(a, b), share)


def find_periods(
    time_s: FloatArray, error_arcsec: FloatArray, most: int = 4
) -> tuple[tuple[float, float], ...]:
    """Return period in seconds and amplitude in arcseconds of the waves that stand out.

    One after the other, strongest first, each with the earlier ones fitted along. A wave counts
    when it explains a good part of what is left, more than white noise would in one of a million
    records (Scargle 1982: 1 - (1 - exp(-z))^M, from memory).
    """
    found: list[tuple[float, float]] = []
    for _ in range(most):
        known = np.array([period for period, _ in found])
        trial = periodogram(time_s, error_arcsec, known)
        if len(trial.share) == 0:
            break
        best = int(np.argmax(trial.share))
        share = float(trial.share[best])
        points = min(len(time_s), _MOST_POINTS)
        chance = len(trial.share) * (1.0 - share) ** ((points - 5) / 2.0)
        if share < _LEAST_SHARE or chance > _FALSE_ALARM or best == 0:
            break
        period = _refined(trial, best)
        if any(abs(period / other - 1.0) < 0.05 for other, _ in found):
            break
        found.append((period, float(trial.amplitude_arcsec[best])))
    return tuple(found)


def unguided_blur_arcsec(
    time_s: FloatArray, error_arcsec: FloatArray, exposure_s: float, noise_arcsec: float
) -> float:
    """Return the rms blur that exposures of a length without corrections would leave.

    The mean scatter of the uncorrected error within windows of that length, less the noise of the
    measurements. The record must span two exposures at least.

    Args:
        time_s: Times, ascending, shape (N,).
        error_arcsec: Uncorrected error at these times.
        exposure_s: Length of the exposure.
        noise_arcsec: Noise of one measurement.

    Returns:
        Standard deviation of the image along this axis; NaN for a record too short.
    """
    if len(time_s) < 8 or time_s[-1] - time_s[0] < 2.0 * exposure_s:
        return float("nan")
    first = np.searchsorted(time_s, time_s - exposure_s / 2.0)
    last = np.searchsorted(time_s, time_s + exposure_s / 2.0, side="right")
    whole = (time_s - exposure_s / 2.0 >= time_s[0]) & (time_s + exposure_s / 2.0 <= time_s[-1])
    centred = error_arcsec - error_arcsec.mean()
    sums = np.concatenate([[0.0], np.cumsum(centred)])
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])
    count = (last - first)[whole]
    enough = count >= 3
    if not enough.any():
        return float("nan")
    count = count[enough]
    low, high = first[whole][enough], last[whole][enough]
    mean = (sums[high] - sums[low]) / count
    variance = (squares[high] - squares[low]) / count - mean**2
    unbiased = variance * count / (count - 1.0)
    return float(np.sqrt(max(float(unbiased.mean()) - noise_arcsec**2, 0.0)))


def _thinned(time_s: FloatArray, error: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Average neighbours of a long record: periods of gears span many cycles."""
    step = int(np.ceil(len(time_s) / _MOST_POINTS))
    if step == 1:
        return time_s, error
    whole = len(time_s) // step * step
    return (
        time_s[-whole:].reshape(-1, step).mean(axis=1),
        error[-whole:].reshape(-1, step).mean(axis=1),
    )


def _base(time_s: FloatArray, known_s: FloatArray | None) -> FloatArray:
    unit = (time_s - time_s[0]) / max(float(time_s[-1] - time_s[0]), 1e-9) * 2.0 - 1.0
    columns = [np.ones_like(unit), unit, unit**2]
    for period in () if known_s is None else known_s:
        phase = 2.0 * np.pi * (time_s - time_s[0]) / period
        columns += [np.cos(phase), np.sin(phase)]
    return np.stack(columns, axis=1)


def _refined(trial: Periodogram, best: int) -> float:
    """Return the period at the top of the parabola through the highest point and its sides."""
    frequency = 1.0 / trial.period_s
    if best + 1 >= len(frequency):
        return float(trial.period_s[best])
    left, middle, right = trial.share[best - 1 : best + 2]
    curve = left - 2.0 * middle + right
    offset = 0.0 if curve >= 0 else 0.5 * (left - right) / curve
    step = frequency[best + 1] - frequency[best]
    return float(1.0 / (frequency[best] + np.clip(offset, -1, 1) * step))
