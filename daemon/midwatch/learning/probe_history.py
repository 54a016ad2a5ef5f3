"""What the temperature probe has read, as slower bodies have followed it.

A lens follows the air later than a probe does. By how much is not known, so that the history is
kept as bodies of every time constant on a grid would feel it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAGS_MIN", "ProbeHistory", "at_rest"]

FloatArray = NDArray[np.float64]

# Time constants of a lens behind its probe, minutes. Coarser: a lag between two of them predicts
# badly; finer: more to compute for the same answer. A small lens takes ten, a large one two hours.
LAGS_MIN: tuple[float, ...] = (0.0, 6.0, 12.0, 20.0, 30.0, 45.0, 60.0, 80.0, 110.0, 150.0)
# The first stands for a lens that is as quick as the probe; a tiny lag keeps the formula whole.
_LAGS_S: FloatArray = np.maximum(np.array(LAGS_MIN) * 60.0, 1e-3)


@dataclass(frozen=True, slots=True, eq=False)
class ProbeHistory:
    """The readings of a night up to an instant.

    Attributes:
        at_s: the instant, POSIX seconds.
        probe_c: the reading there.
        lagged_c: shape (lags,), what a body of each lag would have.
        fading: shape (lags,), what is left of the unknown difference at the first reading, 1 to 0.
    """

    at_s: float
    probe_c: float
    lagged_c: FloatArray
    fading: FloatArray

    @classmethod
    def begin(cls, at_s: float, probe_c: float) -> ProbeHistory:
        """Start with a reading; how far bodies lag behind it is not known."""
        lags = len(LAGS_MIN)
        return cls(at_s, probe_c, np.full(lags, probe_c), np.ones(lags))

    def after(self, at_s: float, probe_c: float) -> ProbeHistory:
        """Return the history with one more reading; one that is not later changes nothing.

        Between readings the probe is taken to have gone evenly: the exact answer of a first-order
        lag to a ramp.
        """
        passed_s = at_s - self.at_s
        if not passed_s > 0.0:
            return self
        left = np.exp(-passed_s / _LAGS_S)
        behind_c = (probe_c - self.probe_c) / passed_s * _LAGS_S
        lagged_c = probe_c - behind_c + (self.lagged_c - self.probe_c + behind_c) * left
        return ProbeHistory(at_s, probe_c, lagged_c, self.fading * left)


def at_rest(temperature_c: float) -> ProbeHistory:
    """Return the history of air that has had one temperature for long."""
    lags = len(LAGS_MIN)
    return ProbeHistory(0.0, temperature_c, np.full(lags, temperature_c), np.zeros(lags))
