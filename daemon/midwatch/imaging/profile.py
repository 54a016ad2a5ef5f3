"""The mean profile of some stars, and its width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit_fwhm"]

FloatArray = NDArray[np.float64]

# Width of a square pixel as a variance, times the squared FWHM of a Gaussian of unit sigma.
_PIXEL_FWHM2 = 8.0 * np.log(2.0) / 12.0
# Bounds of the Moffat exponent: below 1.5 the wings hold unbounded light, above 20 the profile is
# a Gaussian for all that pixels can tell.
_BETA_RANGE = (1.5, 20.0)
_FEWEST_SAMPLES = 12


def fit_fwhm(
    image: NDArray[np.float32], x: FloatArray, y: FloatArray, hfr: FloatArray, flux: FloatArray
) -> float:
    """Fit one Moffat profile to the pixels of several stars at once.

    Each star's pixels, divided by its light, are samples of the same profile at many distances
    from the centre, which together resolve it better than the pixels of any one star. The fit is
    robust (soft L1), so that neighbours in some of the stamps do little harm. The width that the
    pixels themselves add is taken off in quadrature.

    Args:
        image: Background-subtracted image, shape (H, W).
        x: Centroids along x, counted from zero at pixel centres, shape (N,).
        y: Centroids along y, shape (N,).
        hfr: Half-flux radii in pixels, shape (N,), for the size of the stamps.
        flux: Light of the stars, shape (N,).

    Returns:
        Full width at half maximum in pixels of the image; NaN where there are no stars or the
        fit fails.
    """
    from scipy.optimize import least_squares

    if len(x) == 0:
        return float("nan")
    typical = float(np.median(hfr))
    radius, level = _samples(image, x, y, flux, max(3.0, 3.0 * typical))
    if len(radius) < _FEWEST_SAMPLES or typical <= 0:
        return float("nan")
    unit = level[radius <= max(1.0, 0.5 * typical)].max(initial=0.0)
    if unit <= 0:
        return float("nan")

    def residual(p: FloatArray) -> FloatArray:
        height, width, beta, base = p
        # The profile as a function of its own half width, so that width and beta hardly mix.
        model: FloatArray = (
            height * (1.0 + (2.0 ** (1.0 / beta) - 1.0) * (radius / width) ** 2) ** -beta + base
        )
        difference: FloatArray = model - level / unit
        return difference

    narrowest = 0.1
    fit = least_squares(
        residual,
        # Hot pixels that pass for stars are narrower than any star.
        (1.0, max(typical, 2.0 * narrowest), 3.5, 0.0),
        bounds=(
            (0.0, narrowest, _BETA_RANGE[0], -0.5),
            (10.0, 20.0 * typical + 1.0, _BETA_RANGE[1], 0.5),
        ),
        loss="soft_l1",
        f_scale=0.03,
        max_nfev=60,
    )
    if not fit.success:
        return float("nan")
    width2 = (2.0 * float(fit.x[1])) ** 2 - _PIXEL_FWHM2
    return float(np.sqrt(max(width2, 0.0)))


def _samples(
    image: NDArray[np.float32], x: FloatArray, y: FloatArray, flux: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray]:
    """Return distance from the centroid and share of the light, of all pixels within reach."""
    half = int(np.ceil(reach))
    height, width = image.shape
    offsets = np.arange(-half, half + 1)
    column = np.rint(x).astype(int)[:, None, None] + offsets[None, None, :]
    row = np.rint(y).astype(int)[:, None, None] + offsets[None, :, None]
    column, row = np.broadcast_arrays(column, row)
    distance = np.hypot(column - x[:, None, None], row - y[:, None, None])
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height) & (distance <= reach)
    share = (
        image[row[inside], column[inside]]
        / np.broadcast_to(flux[:, None, None], distance.shape)[inside]
    )
    return distance[inside], share.astype(np.float64)
