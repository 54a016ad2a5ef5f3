"""Finding the moments at which a condition of the sky changes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from midwatch.sky.vectors import BoolArray, FloatArray


def changes(holds: BoolArray, times_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Neighbouring times, before and after, between which `holds` changes."""
    at = np.flatnonzero(holds[1:] != holds[:-1])
    return times_s[at], times_s[at + 1]


def bisected(
    condition: Callable[[FloatArray], BoolArray],
    before_s: FloatArray,
    after_s: FloatArray,
    precision_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Narrow many brackets at once.

    Args:
        condition: the condition at one time per bracket; all at once, in the order given.
        before_s: starts of the brackets.
        after_s: ends; the condition there differs from that at the start.
        precision_s: greatest width wanted.

    Returns:
        Last times found before each change, and first times found after it.
    """
    if before_s.size == 0:
        return before_s, after_s
    low, high = before_s.copy(), after_s.copy()
    at_low = condition(low)
    width_s = float(np.max(high - low))
    for _ in range(max(0, int(np.ceil(np.log2(max(width_s, 1e-9) / precision_s))))):
        middle = 0.5 * (low + high)
        unchanged = condition(middle) == at_low
        low = np.where(unchanged, middle, low)
        high = np.where(unchanged, high, middle)
    return low, high


def time_grid(start_s: float, end_s: float, step_s: float) -> FloatArray:
    """Times from start to end, both included, at most `step_s` apart."""
    count = max(1, int(np.ceil((end_s - start_s) / step_s)))
    return np.linspace(start_s, end_s, count + 1)
