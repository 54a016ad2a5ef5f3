"""A table of stars, and what its rows have in common."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["StarTable", "common_elongation", "median_and_scatter"]

FloatArray = NDArray[np.float64]

# Peak over noise from which a star's shape says more about the optics than about its noise.
_SHAPE_SNR = 50.0


def _none() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True, eq=False)
class StarTable:
    """One row a star, brightest first; each column of shape (N,).

    Attributes:
        x_px: Centroid along x.
        y_px: Centroid along y.
        flux_adu: Light above the background.
        peak_adu: Brightest raw pixel, background included.
        hfr_px: Half-flux radius; NaN where it could not be measured.
        axis_ratio: Long over short axis, from second moments; 1 is round.
        angle_deg: Direction of the long axis from +x towards +y, -90 to 90.
        snr: Peak above the background over the noise of a pixel.
        saturated: Whether a pixel of the star is full.
        good: Whether the star is fit for judging sharpness: whole and not full.
        discs: Whether the stars are discs far out of focus; their places are rough then, and
            their `snr` is that of the whole disc.
    """

    x_px: FloatArray = field(default_factory=_none)
    y_px: FloatArray = field(default_factory=_none)
    flux_adu: FloatArray = field(default_factory=_none)
    peak_adu: FloatArray = field(default_factory=_none)
    hfr_px: FloatArray = field(default_factory=_none)
    axis_ratio: FloatArray = field(default_factory=_none)
    angle_deg: FloatArray = field(default_factory=_none)
    snr: FloatArray = field(default_factory=_none)
    saturated: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    good: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=np.bool_))
    discs: bool = False

    def __len__(self) -> int:
        return len(self.x_px)


def common_elongation(table: StarTable, good: NDArray[np.intp]) -> tuple[float, float]:
    """Return the axis ratio that bright stars share, and its direction in degrees.

    The two components of the ellipticity are combined as numbers with a sign, so that noise,
    which stretches each star another way, cancels; a median of axis ratios never reads round.
    """
    bright = good[table.snr[good] >= _SHAPE_SNR]
    if len(bright) == 0:
        return float("nan"), float("nan")
    ratio2 = table.axis_ratio[bright] ** 2
    ellipticity = (ratio2 - 1.0) / (ratio2 + 1.0)
    twice = np.radians(2.0 * table.angle_deg[bright])
    along = float(np.median(ellipticity * np.cos(twice)))
    across = float(np.median(ellipticity * np.sin(twice)))
    size = min(float(np.hypot(along, across)), 0.999)
    return float(np.sqrt((1 + size) / (1 - size))), float(np.degrees(np.arctan2(across, along)) / 2)


def median_and_scatter(values: FloatArray) -> tuple[float, float]:
    """Return the median and a robust standard deviation; NaN for no values."""
    if len(values) == 0:
        return float("nan"), float("nan")
    median = float(np.median(values))
    return median, 1.4826 * float(np.median(np.abs(values - median)))
