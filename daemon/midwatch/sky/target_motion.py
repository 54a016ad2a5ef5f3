"""How a target moves among the stars. Most do not."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.vectors import FloatArray, as_floats, wrap_180

__all__ = ["Fixed", "Motion"]

# Half the time over which a rate is taken.
_RATE_OVER_S = 600.0


class Motion(ABC):
    """Where a target is at any time, ICRS. Implementations are frozen and compare by value."""

    @abstractmethod
    def positions_at(self, utc_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Right ascensions and declinations, degrees, that broadcast with the times."""

    def position_at(self, utc_s: float) -> tuple[float, float]:
        """Right ascension and declination at one time, degrees."""
        ra_deg, dec_deg = self.positions_at(utc_s)
        return float(ra_deg), float(dec_deg)

    def ra_rate_deg_s(self, utc_s: float) -> float:
        """How fast the right ascension grows, degrees a second: the hour angle loses as much."""
        ends = utc_s + np.array([-_RATE_OVER_S, _RATE_OVER_S])
        ra_deg = np.broadcast_to(self.positions_at(ends)[0], ends.shape)
        return float(wrap_180(ra_deg[1] - ra_deg[0])) / (2.0 * _RATE_OVER_S)


@dataclass(frozen=True)
class Fixed(Motion):
    """A target that stays among the stars."""

    ra_deg: float
    dec_deg: float

    def positions_at(self, utc_s: ArrayLike) -> tuple[FloatArray, FloatArray]:  # noqa: ARG002
        """The one position, whatever the times."""
        return as_floats(self.ra_deg), as_floats(self.dec_deg)

    def position_at(self, utc_s: float) -> tuple[float, float]:  # noqa: ARG002
        """The one position."""
        return self.ra_deg, self.dec_deg

    def ra_rate_deg_s(self, utc_s: float) -> float:  # noqa: ARG002
        """Zero."""
        return 0.0
