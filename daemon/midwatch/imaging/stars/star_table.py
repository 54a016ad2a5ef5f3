"""A table of stars, and what its rows have in common."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["SHAPE_SNR", "StarTable", "bare_axes", "common_elongation", "median_and_scatter"]

FloatArray = NDArray[np.float64]

# Peak over noise from which a star's shape says more about the optics than about its noise.
SHAPE_SNR = 50.0
# Variance along each axis that detection adds: its kernel 1 2 1, 2 4 2, 1 2 1, and the pixel.
_KERNEL_VARIANCE, _PIXEL_VARIANCE = 0.5, 1.0 / 12.0
# Narrower than this, in pixels of the image, second moments say nothing of a star.
_LEAST_VARIANCE = 0.05


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
        axis_ratio: Long over short axis of the single star, from second moments without what
            kernel and pixel add; 1 is round. On stars narrower than a pixel of the image, or a
            cell of a mosaic, a rough value: what stars have in common is fitted.
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


def bare_axes(found: NDArray[np.void]) -> tuple[FloatArray, FloatArray]:
    """Return long and short axes of detections without what detecting them has added.

    Second moments are summed above a threshold only. Of a Gaussian cut at the share t of its peak
    that leaves 1 - t ln(1/t) / (1 - t) of the variance (integration by parts), of whatever shape.

    Args:
        found: Detections of `sep.extract` with its kernel.

    Returns:
        Standard deviations in pixels of the image, shapes (N,).
    """
    cut = np.clip(found["thresh"] / np.maximum(found["cpeak"], 1e-12), 1e-6, 0.9)
    left = 1.0 - cut * np.log(1.0 / cut) / (1.0 - cut)
    added = _KERNEL_VARIANCE + _PIXEL_VARIANCE
    long_axis, short_axis = (
        np.sqrt(np.maximum(found[name].astype(np.float64) ** 2 / left - added, _LEAST_VARIANCE))
        for name in ("a", "b")
    )
    return long_axis, short_axis


def common_elongation(table: StarTable, good: NDArray[np.intp]) -> tuple[float, float]:
    """Return the axis ratio that bright stars share by their moments, and its direction in degrees.

    The two components of the ellipticity are combined as numbers with a sign, so that noise,
    which stretches each star another way, cancels; a median of axis ratios never reads round.
    """
    bright = good[table.snr[good] >= SHAPE_SNR]
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
