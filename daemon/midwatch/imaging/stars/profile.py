"""The mean profile of some stars, and its width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame

__all__ = ["fit_fwhm", "fit_mosaic"]

FloatArray = NDArray[np.float64]

# Gauss-Legendre nodes and weights of three points across a pixel, along the line from the star's
# centre and, by symmetry, on one side of it. How the pixel's square lies to that line is left out.
_NODE = 0.5 * np.sqrt(0.6)
_ALONG, _ASIDE = np.array((-_NODE, 0.0, _NODE)), np.array((0.0, _NODE))
_WEIGHTS = np.outer((5.0, 8.0, 5.0), (8.0, 10.0)) / 18.0**2
# Bounds of the Moffat exponent: below 1.5 the wings hold unbounded light, above 20 the profile is
# a Gaussian for all that pixels can show.
_BETA_RANGE = (1.5, 20.0)
_FEWEST_SAMPLES = 12
# With less of the light than this in green, another colour shows the profile better.
_DARK_GREEN = 0.2


def fit_fwhm(
    image: NDArray[np.float32], x: FloatArray, y: FloatArray, hfr: FloatArray, flux: FloatArray
) -> float:
    """Fit one Moffat profile to the pixels of several stars at once.

    Each star's pixels, divided by its light, are samples of the same profile at many distances
    from the centre, which together resolve it better than the pixels of any one star. The fit is
    robust (soft L1), so that neighbours in some of the stamps do little harm. The profile is
    integrated over each pixel, so that its width is that before the pixels blurred it.

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
    if len(x) == 0:
        return float("nan")
    typical = float(np.median(hfr))
    radius, level = _samples(image, x, y, flux, max(3.0, 3.0 * typical))
    return _fitted(radius, level, typical)[0]


def fit_mosaic(
    frame: Frame, x: FloatArray, y: FloatArray, hfr: FloatArray
) -> tuple[float, float, FloatArray]:
    """Fit one Moffat profile to the pixels of one colour of several stars of a mosaic.

    Half of the pixels are green and each of them is a sample of its own, nothing is interpolated
    and no cell averaged, so that stars narrower than a cell keep their width. Where a filter
    leaves green without light, the pixels of the brightest colour are taken.

    Args:
        frame: A raw frame with a colour pattern.
        x: Centroids along x in pixels of the frame, shape (N,).
        y: Centroids along y, shape (N,).
        hfr: Half-flux radii in pixels of the frame, shape (N,).

    Returns:
        Full width at half maximum and half-flux radius of the profile in pixels of the frame, NaN
        as for `fit_fwhm`; and the share of the stars' light in each pixel of a cell, shape (2, 2).
    """
    light = np.full((2, 2), 0.25)
    if len(x) == 0 or frame.bayer is None:
        return float("nan"), float("nan"), light
    typical = float(np.median(hfr))
    reach = max(5.0, 3.0 * typical)
    stamps = [_stamp(frame, float(x0), float(y0), reach) for x0, y0 in zip(x, y, strict=True)]
    light = np.sum([[[net[c == 2 * i + j].sum() for j in (0, 1)] for i in (0, 1)]
                    for _, net, c in stamps], axis=0)  # fmt: skip
    light = np.maximum(light, 0.0)
    light = light / light.sum() if light.sum() > 0.0 else np.full((2, 2), 0.25)
    corners = [n for n, colour in enumerate(frame.bayer) if colour == "G"]
    if float(light.ravel()[corners].sum()) < _DARK_GREEN:
        corners = [int(light.argmax())]
    radii, levels = [], []
    for distance, net, corner in stamps:
        chosen = np.isin(corner, corners)
        total = float(net[chosen].sum())
        if total > 0.0:
            radii.append(distance[chosen])
            levels.append(net[chosen] / total)
    if not radii:
        return float("nan"), float("nan"), light
    return *_fitted(np.concatenate(radii), np.concatenate(levels), typical), light


def _stamp(
    frame: Frame, x0: float, y0: float, reach: float
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Return distance, light above the surroundings and place in the cell of a star's pixels."""
    half = int(np.ceil(reach))
    height, width = frame.data.shape
    rows = np.arange(max(0, round(y0) - half), min(height, round(y0) + half + 1))
    columns = np.arange(max(0, round(x0) - half), min(width, round(x0) + half + 1))
    distance = np.hypot(columns[None, :] - x0, rows[:, None] - y0)
    inside = distance <= reach
    distance = distance[inside]
    corner = (2 * (rows[:, None] % 2) + columns[None, :] % 2)[inside]
    net = frame.data[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1][inside].astype(float)
    for place in range(4):
        ring = (corner == place) & (distance > 0.8 * reach)
        if ring.any():
            net[corner == place] -= np.median(net[ring])
    return distance, net, corner


def _fitted(radius: FloatArray, level: FloatArray, typical: float) -> tuple[float, float]:
    """Fit the profile to samples of distance and share of the light."""
    from scipy.optimize import least_squares

    if len(radius) < _FEWEST_SAMPLES or typical <= 0:
        return float("nan"), float("nan")
    unit = level[radius <= max(1.0, 0.5 * typical)].max(initial=0.0)
    if unit <= 0:
        return float("nan"), float("nan")

    aside2 = np.broadcast_to(_ASIDE**2, (3, 2)).ravel()
    within2 = (radius[:, None] + np.repeat(_ALONG, 2)) ** 2 + aside2

    def residual(p: FloatArray) -> FloatArray:
        height, width, beta, base = p
        # The profile as a function of its own half width, so that width and beta hardly mix.
        inner = (1.0 + (2.0 ** (1.0 / beta) - 1.0) * within2 / width**2) ** -beta
        model: FloatArray = height * (inner @ _WEIGHTS.ravel()) + base
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
        return float("nan"), float("nan")
    fwhm = 2.0 * float(fit.x[1])
    beta = float(fit.x[2])
    # Moffat (1969): light within r is 1 - (1 + (r / alpha)^2)^(1 - beta).
    share = float(np.sqrt((2.0 ** (1.0 / (beta - 1.0)) - 1.0) / (2.0 ** (1.0 / beta) - 1.0)))
    return fwhm, 0.5 * fwhm * share


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
