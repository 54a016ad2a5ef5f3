"""Trees in front of a field: some stars are behind leaves, others in gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from midwatch.sky import Observer, TreeLine

FloatArray = NDArray[np.float64]

# A star passes a gap between twigs in about this time: it moves by a quarter of a degree in a
# minute, and wind moves the twigs.
_GAP_S = 20.0


@dataclass(frozen=True)
class Veil:
    """Trees in front of a field during one exposure.

    Attributes:
        times: instants of the exposure, shape (T,).
        middle_share: of the light from the middle of the field that passes, mean of the exposure.
    """

    trees: TreeLine
    observer: Observer
    times: FloatArray
    middle_share: float

    @classmethod
    def before(
        cls,
        trees: TreeLine,
        observer: Observer,
        ra_deg: float,
        dec_deg: float,
        times: FloatArray,
        diagonal_deg: float,
    ) -> Self | None:
        """Return the trees in front of a field; None where it is wholly above them."""
        at = observer.altaz(ra_deg, dec_deg, times)
        shares = trees.open_share(at.az_deg, at.alt_deg)
        # The whole field is in the open when it is above the tallest tree near it.
        reach_deg = 0.5 * diagonal_deg
        wide_deg = reach_deg / max(float(np.cos(np.radians(np.max(at.alt_deg) + reach_deg))), 0.05)
        around = np.asarray(at.az_deg)[:, None] + np.linspace(-wide_deg, wide_deg, 9)
        if np.all(np.asarray(at.alt_deg) - reach_deg > np.max(trees.edge_deg(around), axis=1)):
            return None
        return cls(trees, observer, times, float(np.mean(shares)))

    def shares(self, directions: FloatArray) -> FloatArray:
        """Return the share of the light of stars, unit vectors (N, 3), that passes, shape (N,)."""
        if len(directions) == 0:
            return np.ones(0)
        ra_deg = np.degrees(np.arctan2(directions[:, 1], directions[:, 0])) % 360.0
        dec_deg = np.degrees(np.arcsin(np.clip(directions[:, 2], -1.0, 1.0)))
        at = self.observer.altaz(ra_deg[None, :], dec_deg[None, :], self.times[:, None])
        open_share = self.trees.open_share(at.az_deg, at.alt_deg)
        gaps = np.floor(self.times / _GAP_S)
        passes = _evenly(np.rint(ra_deg * 3600.0), np.rint(dec_deg * 3600.0), gaps) < open_share
        share: FloatArray = np.mean(passes, axis=0)
        return share


def _evenly(ra: FloatArray, dec: FloatArray, gaps: FloatArray) -> FloatArray:
    """Return numbers evenly spread over [0, 1), shape (T, N), the same for equal whole numbers."""
    mixed = (
        ra.astype(np.int64).astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        ^ dec.astype(np.int64).astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    )[None, :] ^ (gaps.astype(np.uint64) * np.uint64(0x165667B19E3779F9))[:, None]
    for _ in range(2):
        mixed ^= mixed >> np.uint64(31)
        mixed *= np.uint64(0xD6E8FEB86659FD93)
    spread: FloatArray = (mixed >> np.uint64(11)).astype(np.float64) / float(2**53)
    return spread
