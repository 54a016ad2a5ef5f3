"""Whether an axis drifts one way, from what it has shown lately."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["proven_drift_arcsec_s"]

# Measurements looked back upon. Fewer, and a wander passes for a drift; more, and a drift that has
# turned is noticed late.
_LATEST, _FEWEST = 240, 40
# A slope counts beyond so many standard errors. They are those of independent measurements, which
# a wander is not: the slope that counts at all is what it can come to in the shortest record.
_SURE_SIGMA, _LEAST_ARCSEC_S = 3.0, 0.003


def proven_drift_arcsec_s(time_s: Sequence[float], place_arcsec: Sequence[float]) -> float | None:
    """Return the slope of the straight line through the latest places of an uncorrected axis.

    Args:
        time_s: Times of the measurements, ascending, shape (N,).
        place_arcsec: Uncorrected error at these times.

    Returns:
        The drift; 0 where none is proven, None with fewer than 40 measurements.
    """
    if len(time_s) < _FEWEST:
        return None
    time, place = np.array(time_s[-_LATEST:]), np.array(place_arcsec[-_LATEST:])
    time, place = time - time.mean(), place - place.mean()
    spread = float(time @ time)
    if spread <= 0.0:
        return None
    slope = float(time @ place) / spread
    rest = place - slope * time
    sigma = float(np.sqrt(rest @ rest / (len(time) - 2) / spread))
    return slope if abs(slope) > max(_SURE_SIGMA * sigma, _LEAST_ARCSEC_S) else 0.0
