"""Trees that are taller than a horizon says: crowns of unequal height, thin at their edge."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike

from midwatch.seeding import device_rng
from midwatch.sky.horizon import Horizon
from midwatch.sky.vectors import FloatArray

# Widths of crowns, and their heights as shares of the mean; a wood seen from a clearing (common
# practice, no source). Gaps between crowns go down to a share of the lower neighbour.
_CROWN_DEG, _CROWN_HEIGHT, _GAP = (3.0, 9.0), (0.75, 1.3), (0.3, 0.8)
# So far below their upper edge trees let part of the stars through.
_THIN_DEG = 2.0


@dataclass(frozen=True)
class TreeLine:
    """Trees all around a site; the same ones every night.

    Attributes:
        horizon: that they rise above.
        taller_deg: by how much their crowns do, on average.
    """

    horizon: Horizon
    taller_deg: float

    def edge_deg(self, az_deg: ArrayLike) -> FloatArray:
        """Altitude of the upper edge at azimuths of any shape, degrees."""
        edge: FloatArray = np.minimum(
            self.horizon.altitude_deg(az_deg) + self._crowns.altitude_deg(az_deg), 90.0
        )
        return edge

    def open_share(self, az_deg: ArrayLike, alt_deg: ArrayLike) -> FloatArray:
        """Share of the stars in directions of any shape that are seen past the trees, 0 to 1."""
        below_deg = self.edge_deg(az_deg) - np.asarray(alt_deg)
        share: FloatArray = np.clip(1.0 - below_deg / _THIN_DEG, 0.0, 1.0)
        return share

    @cached_property
    def _crowns(self) -> Horizon:
        return Horizon(tuple((az, self.taller_deg * height) for az, height in _crowns()))


@lru_cache(maxsize=1)
def _crowns() -> tuple[tuple[float, float], ...]:
    """Return azimuths of tops and gaps, with heights as shares of the mean."""
    rng = device_rng(0, "trees")
    ends = np.cumsum(rng.uniform(*_CROWN_DEG, size=120))
    ends *= 360.0 / ends[np.searchsorted(ends, 360.0)]
    starts = np.concatenate(([0.0], ends[ends < 360.0 - 1e-6]))
    heights = rng.uniform(*_CROWN_HEIGHT, size=len(starts))
    gaps = rng.uniform(*_GAP, size=len(starts)) * np.minimum(heights, np.roll(heights, 1))
    widths = np.diff(np.append(starts, 360.0))
    points = []
    for start, width, height, gap in zip(starts, widths, heights, gaps, strict=True):
        # A crown is flat on top, and a gap is narrow.
        points += [(start, gap), (start + 0.2 * width, height), (start + 0.8 * width, height)]
    return tuple((round(float(az), 4), round(float(height), 4)) for az, height in points)
