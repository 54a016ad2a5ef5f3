"""Sub-pixel positions of known stars, with the error of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Centroids", "centroid_error_px", "measure_centroids", "star_snr"]

FloatArray = NDArray[np.float64]

FWHM_PER_SIGMA = 2.354820045030949
_ROUNDS = 12
_CLOSE_PX = 1e-3


@dataclass(frozen=True, eq=False)
class Centroids:
    """One row a star, each column of shape (N,).

    Attributes:
        x_px: Centre along a row, from zero at the centre of the first pixel; NaN if not measured.
        y_px: Centre along a column.
        flux_adu: Light within the window, sky taken off, as if the window were a Gaussian
            matched to the star.
        noise_adu: Standard deviation of a pixel about the star.
        snr: Light over its noise.
        error_px: Standard error of each coordinate from photons and noise alone, without seeing.
        sharpness: Light of the brightest pixel as a share of the light; 1 is a single pixel.
    """

    x_px: FloatArray
    y_px: FloatArray
    flux_adu: FloatArray
    noise_adu: FloatArray
    snr: FloatArray
    error_px: FloatArray
    sharpness: FloatArray


def star_snr(
    flux_adu: FloatArray, noise_adu: FloatArray, fwhm_px: FloatArray, gain_e_adu: float
) -> FloatArray:
    """Return signal to noise of stars by the CCD equation.

    The noise counts the star's photons and the sky and read noise of 8 pi sigma^2 pixels, which
    is the area that matters for positions (Thompson, Larson and Webb 2002, equation 17, from
    memory), so that sigma / SNR is the error of a centroid in both limits.
    """
    sigma2 = (fwhm_px / FWHM_PER_SIGMA) ** 2
    light = np.maximum(flux_adu, 0.0)
    noise = np.sqrt(light / gain_e_adu + 8.0 * np.pi * sigma2 * noise_adu**2)
    return light / np.maximum(noise, 1e-12)


def centroid_error_px(fwhm_px: FloatArray, snr: FloatArray) -> FloatArray:
    """Return FWHM / (2.355 SNR), the error of a centroid along each axis without seeing."""
    error: FloatArray = fwhm_px / (FWHM_PER_SIGMA * np.maximum(snr, 1e-3))
    return error


def measure_centroids(
    data: NDArray[np.uint16],
    x_px: FloatArray,
    y_px: FloatArray,
    fwhm_px: float,
    search_px: float,
    gain_e_adu: float = 1.0,
) -> Centroids:
    """Find the brightest peak near each expected place and measure its centre.

    The centre is the mean weighted with a Gaussian as wide as the star, moved until it rests on
    it. For a Gaussian star on a bright sky no centre is better; where the star's own photons are
    the noise its error is 4/3 of the least possible.

    Args:
        data: Pixels in ADU, shape (H, W).
        x_px: Expected places, shape (N,).
        y_px: The same along columns.
        fwhm_px: Width of the stars, which sets the window.
        search_px: How far from the expected place a star may be.
        gain_e_adu: Electrons a unit of the pixels, for the photon noise.

    Returns:
        The measures; rows whose window leaves the frame, or that do not rest on a peak within
        reach, are NaN.
    """
    sigma = max(fwhm_px / FWHM_PER_SIGMA, 0.6)
    reach = int(np.ceil(search_px))
    half = int(np.ceil(4.0 * sigma)) + 1
    height, width = data.shape
    column, row = np.rint(x_px).astype(int), np.rint(y_px).astype(int)
    margin = half + reach
    inside = (
        (column >= margin) & (row >= margin) & (column < width - margin) & (row < height - margin)
    )
    column = np.where(inside, column, min(margin, width // 2))
    row = np.where(inside, row, min(margin, height // 2))
    if width <= 2 * margin or height <= 2 * margin or len(x_px) == 0:
        return _none(len(x_px))
    column, row = _to_peak(data, column, row, reach)
    stamp, noise = _stamps(data, column, row, half)
    x, y, flux, rested = _rest(stamp, sigma, half)
    x, y = x + column, y + row
    near = np.hypot(x - x_px, y - y_px) <= search_px + 1.0
    good = inside & rested & near & (flux > 0)
    widths = np.full(len(x), fwhm_px)
    snr = star_snr(flux, noise, widths, gain_e_adu)
    # The window gives away part of the photons of the wings: it costs 16/9 of their variance.
    positional = star_snr(flux, noise, widths, gain_e_adu * 9.0 / 16.0)
    peak = stamp[:, half - 1 : half + 2, half - 1 : half + 2].max(axis=(1, 2))
    nan = np.where(good, 1.0, np.nan)
    return Centroids(
        x * nan,
        y * nan,
        flux * nan,
        noise,
        snr * nan,
        centroid_error_px(widths, positional) * nan,
        peak / np.maximum(flux, 1e-9) * nan,
    )


def _none(count: int) -> Centroids:
    nan = np.full(count, np.nan)
    return Centroids(nan, nan, nan, nan, nan, nan, nan)


def _to_peak(
    data: NDArray[np.uint16], column: NDArray[np.int_], row: NDArray[np.int_], reach: int
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Return the pixels at the middle of the brightest 3x3 within reach of each place."""
    if reach < 1:
        return column, row
    around = np.arange(-reach - 1, reach + 2)
    box = data[
        row[:, None, None] + around[None, :, None], column[:, None, None] + around[None, None, :]
    ].astype(np.float64)
    sums = box[:, :, :-2] + box[:, :, 1:-1] + box[:, :, 2:]
    sums = sums[:, :-2] + sums[:, 1:-1] + sums[:, 2:]
    size = 2 * reach + 1
    best = sums.reshape(len(row), -1).argmax(axis=1)
    return column + best % size - reach, row + best // size - reach


def _stamps(
    data: NDArray[np.uint16], column: NDArray[np.int_], row: NDArray[np.int_], half: int
) -> tuple[FloatArray, FloatArray]:
    """Cut out stamps of (N, 2 half + 1, 2 half + 1) without sky, and its noise, shape (N,)."""
    around = np.arange(-half, half + 1)
    stamp = data[
        row[:, None, None] + around[None, :, None], column[:, None, None] + around[None, None, :]
    ].astype(np.float64)
    rim = np.ones((2 * half + 1, 2 * half + 1), dtype=np.bool_)
    rim[2:-2, 2:-2] = False
    sky = stamp[:, rim]
    level = np.median(sky, axis=1)
    noise = 1.4826 * np.median(np.abs(sky - level[:, None]), axis=1)
    # A quantised sky can show no scatter at all; rounding alone leaves this much.
    return stamp - level[:, None, None], np.maximum(noise, 1.0 / np.sqrt(12.0))


def _rest(
    stamp: FloatArray, sigma: float, half: int
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Move a Gaussian window until it rests; return offsets, light, and whether it did."""
    offset = np.arange(-half, half + 1, dtype=np.float64)
    x = np.zeros(len(stamp))
    y = np.zeros(len(stamp))
    flux = np.zeros(len(stamp))
    step = np.full(len(stamp), np.inf)
    for _ in range(_ROUNDS):
        wx = np.exp(-0.5 * ((offset[None, :] - x[:, None]) / sigma) ** 2)
        wy = np.exp(-0.5 * ((offset[None, :] - y[:, None]) / sigma) ** 2)
        rows = np.einsum("nyx,nx->ny", stamp, wx)
        total = np.einsum("ny,ny->n", rows, wy)
        safe = np.where(total > 0, total, np.inf)
        rows_x = np.einsum("nyx,nx->ny", stamp, wx * (offset[None, :] - x[:, None]))
        dx = 2.0 * np.einsum("ny,ny->n", rows_x, wy) / safe
        dy = 2.0 * np.einsum("ny,ny->n", rows, wy * (offset[None, :] - y[:, None])) / safe
        x, y = np.clip(x + dx, -half, half), np.clip(y + dy, -half, half)
        # Of a Gaussian seen through an equal Gaussian half of the light remains.
        flux = 2.0 * total
        step = np.hypot(dx, dy)
        if np.all(step < _CLOSE_PX):
            break
    rested = (step < 0.05) & (np.abs(x) < half / 2 + 1) & (np.abs(y) < half / 2 + 1) & (flux > 0)
    return x, y, flux, rested
