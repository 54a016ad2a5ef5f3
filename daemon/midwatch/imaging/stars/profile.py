"""The mean profile of some stars, and its width."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame
from midwatch.imaging.stars.stamps import Stamps, subtract_sky

__all__ = ["MosaicStars", "fit_fwhm"]

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
_EXACTLY = 1e-8
# With less of the light than this in green, another colour shows the profile better.
_DARK_GREEN = 0.2


def fit_fwhm(
    image: NDArray[np.float32],
    x: FloatArray,
    y: FloatArray,
    hfr: FloatArray,
    flux: FloatArray,
    good_to: float = _EXACTLY,
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
        good_to: Change of the cost, as a share of it, at which the fit ends.

    Returns:
        Full width at half maximum in pixels of the image; NaN where there are no stars or the
        fit fails.
    """
    if len(x) == 0:
        return float("nan")
    typical = float(np.median(hfr))
    radius, level = _samples(image, x, y, flux, max(3.0, 3.0 * typical))
    return _fitted(radius, level, typical, good_to)[0]


class MosaicStars:
    """The pixels of some stars of a mosaic, colour by colour.

    Attributes:
        light: Share of the stars' light in each pixel of a cell, shape (2, 2).
    """

    def __init__(self, frame: Frame, x: FloatArray, y: FloatArray, hfr: FloatArray) -> None:
        """Cut them out.

        Args:
            frame: A raw frame with a colour pattern.
            x: Centroids along x in pixels of the frame, shape (N,).
            y: Centroids along y, shape (N,).
            hfr: Half-flux radii in pixels of the frame, shape (N,).
        """
        self.light = np.full((2, 2), 0.25)
        self._colours = frame.bayer or ""
        self._typical = float(np.median(hfr)) if len(hfr) else 0.0
        reach = max(5.0, 3.0 * self._typical)
        stamps = Stamps.cut(frame.data, x, y, int(np.ceil(reach)), mosaic=True)
        self._distance = np.hypot(stamps.u, stamps.v)
        self._inside = stamps.seen & (self._distance <= reach)
        subtract_sky(stamps, self._inside & (self._distance > 0.8 * reach))
        self._net = np.where(self._inside, stamps.net, 0.0)
        light = np.array([[self._net[:, i::2, j::2].sum() for j in (0, 1)] for i in (0, 1)])
        light = np.maximum(light, 0.0)
        if light.sum() > 0.0:
            self.light = light / light.sum()

    def fit(self, good_to: float = _EXACTLY) -> tuple[float, float]:
        """Fit one Moffat profile to the pixels of one colour of all stars.

        Half of the pixels are green and each of them is a sample of its own, nothing is
        interpolated and no cell averaged, so that stars narrower than a cell keep their width.
        Where a filter leaves green without light, the pixels of the brightest colour are taken.

        Returns:
            Full width at half maximum and half-flux radius of the profile in pixels of the frame;
            NaN as for `fit_fwhm`.
        """
        corners = [n for n, colour in enumerate(self._colours) if colour == "G"]
        if float(self.light.ravel()[corners].sum()) < _DARK_GREEN:
            corners = [int(self.light.argmax())]
        inside = np.zeros_like(self._inside)
        for corner in corners:
            places = (slice(None), slice(corner // 2, None, 2), slice(corner % 2, None, 2))
            inside[places] = self._inside[places]
        total = np.where(inside, self._net, 0.0).sum(axis=(1, 2))
        inside &= (total > 0.0)[:, None, None]
        level = (self._net / np.where(total > 0.0, total, 1.0)[:, None, None])[inside]
        return _fitted(self._distance[inside], level.astype(np.float64), self._typical, good_to)


def _fitted(
    radius: FloatArray, level: FloatArray, typical: float, good_to: float
) -> tuple[float, float]:
    """Fit the profile to samples of distance and share of the light."""
    from scipy.optimize import least_squares

    if len(radius) < _FEWEST_SAMPLES or typical <= 0:
        return float("nan"), float("nan")
    unit = level[radius <= max(1.0, 0.5 * typical)].max(initial=0.0)
    if unit <= 0:
        return float("nan"), float("nan")

    aside2 = np.broadcast_to(_ASIDE**2, (3, 2)).ravel()
    within2 = (radius[:, None] + np.repeat(_ALONG, 2)) ** 2 + aside2

    seen = level / unit
    weights = _WEIGHTS.ravel()

    def residual(p: FloatArray) -> FloatArray:
        height, width, beta, base = p
        # The profile as a function of its own half width, so that width and beta hardly mix.
        inner = (1.0 + (2.0 ** (1.0 / beta) - 1.0) * within2 / width**2) ** -beta
        difference: FloatArray = height * (inner @ weights) + base - seen
        return difference

    def slopes(p: FloatArray) -> FloatArray:
        height, width, beta, _ = p
        grown = 2.0 ** (1.0 / beta)
        away2 = within2 / width**2
        falling = 1.0 + (grown - 1.0) * away2
        logarithm = np.log(falling)
        inner = np.exp(-beta * logarithm)
        by_width = (2.0 * beta * (grown - 1.0) / width) * inner * away2 / falling
        by_beta = inner * (away2 * (grown * np.log(2.0) / beta) / falling - logarithm)
        columns = (inner @ weights, height * (by_width @ weights), height * (by_beta @ weights),
                   np.ones(len(seen)))  # fmt: skip
        return np.stack(columns, axis=1)

    narrowest = 0.1
    fit = least_squares(
        residual,
        # Hot pixels that pass for stars are narrower than any star.
        (1.0, max(typical, 2.0 * narrowest), 3.5, 0.0),
        jac=slopes,
        bounds=(
            (0.0, narrowest, _BETA_RANGE[0], -0.5),
            (10.0, 20.0 * typical + 1.0, _BETA_RANGE[1], 0.5),
        ),
        loss="soft_l1",
        f_scale=0.03,
        max_nfev=60,
        ftol=good_to,
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
