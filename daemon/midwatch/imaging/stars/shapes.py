"""The shape that stars of a frame share: how long, which way, with what the pixels add taken out.

Second moments of a star hold the square of the pixel, of the kernel that detection smooths with,
and on a mosaic of the cell of 2x2 pixels; on sharp stars these are larger than the star. So an
elliptical profile is integrated over the pixels and fitted to them as they were read out, for all
stars of a group at once: each star has its own place and light, the shape is common. On a mosaic
every pixel takes part as a sample of its own, with the star's light in its colour.

The profile is Moffat's (A. F. J. Moffat 1969), with ellipses in place of circles. Its exponent is
fitted, too: with a wrong one sharp stars would read up to 5 percent too long or too round. A few
dozen bright stars give the ratio to a fraction of a percent; the fit begins with fewer still.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame
from midwatch.imaging.stars.ellipses import nodes_for, profile, smallest, squares
from midwatch.imaging.stars.stamps import Stamps, subtract_sky
from midwatch.imaging.stars.star_table import SHAPE_SNR, StarTable, common_elongation

__all__ = ["Ellipse", "StarShapes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Pixels = NDArray[np.float32]

# Inverse of the exponent: where the fit begins, and its bounds. Below, the profile is a Gaussian to
# all that pixels can show; above, the wings hold more light than the star.
_TAIL, _LEAST_TAIL, _MOST_TAIL = 0.25, 0.01, 0.55
# Standard deviations of the ellipse within which pixels are fitted, and pixels beyond that.
_REACH, _MARGIN_PX = 2.6, 1.5
_LARGEST_PX = 60
# Pixels fitted in all, and those of the first stars that the fit begins with. More: the fit takes
# longer than finding the stars. Fewer: the ratio is good to a percent only.
_MOST_SAMPLES, _FIRST_SAMPLES = 6_000, 1_000
_FEWEST_STARS = 4
# A profile of ellipses says little of what is drawn out longer than this.
_LONGEST_FITTED = 6.0
_PLAIN_ROUNDS, _ROUNDS = 4, 21
# A step is the last when it changes less than this share of the variance across; with fewer pixels
# noise leaves more of it open anyway.
_SETTLED = 2e-3
# Of the peak: larger residuals are neighbours and count less.
_NEIGHBOUR = 0.06
_SMALLEST_PX2, _LONGEST_MOVE_PX = 0.01, 0.3
# Keeps the exponent from running off where pixels say nothing of it.
_DAMPING = 1e-3


@dataclass(frozen=True)
class Ellipse:
    """The common shape of some stars.

    Attributes:
        ratio: Long over short axis, at least 1.
        angle_deg: Direction of the long axis from +x towards +y, -90 to 90.
        fwhm_px: Full width at half maximum of a round profile of the same area, the geometric mean
            of both axes, in pixels of the frame; NaN where the shape is not from a fit.
        hfr_px: Radius of the circle that holds half of the light; NaN likewise.
    """

    ratio: float
    angle_deg: float
    fwhm_px: float = float("nan")
    hfr_px: float = float("nan")


class _Samples(NamedTuple):
    """Pixels of all stars in one row, shape (M,); those of one star and colour follow each other.

    Attributes:
        x: Distance of each pixel from where its star was found, along x.
        y: The same along y.
        net: Light above the sky.
        stars: Where the pixels of each star begin, shape (S,).
        star: Number of the star of each pixel.
        lights: Where those of each star and colour begin, shape (L,).
        light: Number of the star and colour of each pixel.
    """

    x: Pixels
    y: Pixels
    net: Pixels
    stars: IntArray
    star: IntArray
    lights: IntArray
    light: IntArray

    def first(self, most: int) -> _Samples:
        """Return the samples of the first stars alone: as many as hold so many pixels."""
        count = max(_FEWEST_STARS, int(np.searchsorted(self.stars, most)))
        if count >= len(self.stars):
            return self
        end = int(self.stars[count])
        lights = self.lights[: int(np.searchsorted(self.lights, end))]
        x, y, net = (column[:end] for column in (self.x, self.y, self.net))
        star, light = self.star[:end], self.light[:end]
        return _Samples(x, y, net, self.stars[:count], star, lights, light)


class StarShapes:
    """Answers what shape some stars of a frame share."""

    def __init__(self, frame: Frame, image: Pixels, table: StarTable) -> None:
        """Begin with a raw frame, its luminance without background, and its stars."""
        self._frame, self._image, self._table = frame, image, table
        # The shape that was fitted first, and the rows of its stars.
        self._known: tuple[FloatArray, IntArray] | None = None

    def corrected(self, table: StarTable) -> StarShapes:
        """Return the same for a table with corrected places and sizes of these stars."""
        shapes = StarShapes(self._frame, self._image, table)
        shapes._known = self._known
        return shapes

    def common(self, rows: IntArray, most_samples: int = _MOST_SAMPLES) -> Ellipse:
        """Return the shape common to the bright ones among some stars.

        The first answer is where the later ones begin to look: ask for the whole frame first.

        Args:
            rows: Rows of the table, brightest first.
            most_samples: Pixels that are fitted in all; the brightest stars first.

        Returns:
            The shape; of stars far out of focus, and where a fit leads nowhere, by their second
            moments. NaN without bright stars.
        """
        bright = rows[self._table.snr[rows] >= SHAPE_SNR]
        if len(bright) == 0:
            return Ellipse(float("nan"), float("nan"))
        fitted = self._fitted(bright, most_samples)
        return Ellipse(*common_elongation(self._table, bright)) if fitted is None else fitted

    def _fitted(self, bright: IntArray, most_samples: int) -> Ellipse | None:
        """Fit the shape of some stars; None where they are no ellipses, or that leads nowhere."""
        if self._table.discs:
            return None
        known, size_px = self._known, float(np.median(self._table.hfr_px[bright]))
        if known is not None:
            shape, stars = known
            frame_px = float(np.median(self._table.hfr_px[stars]))
            guess = shape * np.array((*[(size_px / frame_px) ** 2] * 3, 1.0))
        else:
            guess = _first_guess(self._table, bright, size_px)
            if _ellipse(guess).ratio > _LONGEST_FITTED:
                return None
        samples = _samples(self._frame, self._image, self._table, bright, guess, most_samples)
        if samples is None:
            return None
        begun: FloatArray | None = guess
        if known is None:
            begun, _ = _refined(samples.first(_FIRST_SAMPLES), guess, _PLAIN_ROUNDS, robust=False)
        if begun is None:
            return None
        fitted, settled = _refined(samples, begun, _ROUNDS, robust=True)
        if fitted is None or smallest(fitted) <= 2.0 * _SMALLEST_PX2:
            return None
        if known is None and settled:
            self._known = fitted, bright
        return _ellipse(fitted)


def _ellipse(shape: FloatArray) -> Ellipse:
    xx, xy, yy, tail = (float(part) for part in shape)
    small = smallest(shape)
    large = xx + yy - small
    area2 = float(np.sqrt(small * large))
    # Half of the peak: 1 + tail / 2 square = 2^tail. Half of the light: see Moffat (1969), light
    # within r is 1 - (1 + tail / 2 square)^(1 - 1 / tail).
    half_peak, half_light = 2.0**tail, 2.0 ** (tail / (1.0 - tail))
    # By how much more than the ellipse the circle reaches that holds as much light: within 3
    # percent up to a ratio of 3, by integrating Gaussians and Moffat profiles.
    ratio = float(np.sqrt(large / small))
    wider = (0.5 * (ratio + 1.0 / ratio)) ** 0.25
    return Ellipse(
        ratio,
        float(np.degrees(0.5 * np.arctan2(2.0 * xy, xx - yy))),
        2.0 * float(np.sqrt(2.0 / tail * (half_peak - 1.0) * area2)),
        wider * float(np.sqrt(2.0 / tail * (half_light - 1.0) * area2)),
    )


def _first_guess(table: StarTable, group: IntArray, size_px: float) -> FloatArray:
    """Return variances xx, xy, yy in pixels of the frame, and the inverse of the exponent."""
    ratio = np.maximum(table.axis_ratio[group], 1.0)
    turn = np.radians(table.angle_deg[group])
    # Half of a Gaussian's light lies within 1.177 of its deviation.
    size2 = (size_px / 1.17741) ** 2
    large, small = ratio, 1.0 / ratio
    c, s = np.cos(turn), np.sin(turn)
    parts = (large * c**2 + small * s**2, (large - small) * c * s, large * s**2 + small * c**2)
    return np.array([*(size2 * np.median(parts, axis=1)), _TAIL])


def _samples(
    frame: Frame,
    image: Pixels,
    table: StarTable,
    group: IntArray,
    shape: FloatArray,
    most_samples: int,
) -> _Samples | None:
    """Return the pixels inside the ellipses about the brightest stars; None where none fits."""
    xx, xy, yy = shape[:3]
    widest = _REACH * np.sqrt(max(xx, yy)) + _MARGIN_PX
    half = int(min(np.ceil(widest), _LARGEST_PX))
    mosaic = frame.bayer is not None
    data = frame.data if mosaic else image
    height, width = data.shape
    # Around a star on a mosaic lies the ring that shows the sky in each colour.
    half += 3 if mosaic else 0
    x, y = table.x_px[group], table.y_px[group]
    inside = (x >= half + 1) & (y >= half + 1) & (x < width - half - 1) & (y < height - half - 1)
    area = np.pi * np.sqrt(max(xx * yy - xy**2, 0.01)) * _REACH**2 + 30.0
    chosen = np.flatnonzero(inside)[: max(_FEWEST_STARS, int(most_samples / area))]
    if len(chosen) == 0:
        return None
    stamps = Stamps.cut(data, x[chosen], y[chosen], half, mosaic=mosaic)
    within = _within(stamps.u, stamps.v, shape)
    star, row, column = np.nonzero(within)
    colour = np.zeros(len(star), dtype=np.intp)
    if frame.bayer is not None:
        subtract_sky(stamps, ~within)
        colours = np.array(["RGB".index(name) for name in frame.bayer])
        colour = colours[2 * (row % 2) + column % 2]
        order = np.argsort(3 * star + colour, kind="stable")
        star, row, column, colour = star[order], row[order], column[order], colour[order]
    return _Samples(
        stamps.u[star, 0, column].astype(np.float32),
        stamps.v[star, row, 0].astype(np.float32),
        stamps.net[star, row, column],
        *_numbered(star),
        *_numbered(3 * star + colour),
    )


def _within(u: FloatArray, v: FloatArray, shape: FloatArray) -> NDArray[np.bool_]:
    """Return which pixels of the stamps are fitted, shape (S, H, W)."""
    square, radius2 = squares(u, v, shape), u**2 + v**2
    # A margin in pixels, so that the smallest stars keep their neighbours' pixels.
    inner = np.maximum(np.sqrt(radius2) - _MARGIN_PX, 0.0)
    within: NDArray[np.bool_] = square * inner**2 <= _REACH**2 * radius2
    return within


def _numbered(key: IntArray) -> tuple[IntArray, IntArray]:
    """Return where runs of equal keys begin, and the number of the run of each."""
    new = np.concatenate((np.ones(1, dtype=np.bool_), key[1:] != key[:-1]))
    return np.flatnonzero(new), np.cumsum(new) - 1


def _refined(
    samples: _Samples, shape: FloatArray, rounds: int, *, robust: bool
) -> tuple[FloatArray | None, bool]:
    """Fit shape, places and light by Gauss-Newton steps.

    Args:
        samples: The pixels.
        shape: Where the fit begins.
        rounds: How many steps are taken, or less when the fit has settled.
        robust: Whether pixels far from the fit count less.

    Returns:
        The shape, None where that leads nowhere; and whether it has settled.
    """
    shift_x, shift_y = np.zeros((2, len(samples.stars)), dtype=np.float32)
    weight: Pixels = np.ones(len(samples.net), dtype=np.float32)
    nodes = nodes_for(shape)
    tolerance = _SETTLED * max(1.0, _MOST_SAMPLES / len(samples.net)) ** 0.5
    for turn in range(rounds):
        u, v = samples.x - shift_x[samples.star], samples.y - shift_y[samples.star]
        residual, columns = _residual(samples, weight, *profile(u, v, shape, nodes))
        weighted = columns * weight
        move_x, move_y = _moves(samples.stars, weighted, columns, residual)
        shift_x += np.clip(move_x, -_LONGEST_MOVE_PX, _LONGEST_MOVE_PX)
        shift_y += np.clip(move_y, -_LONGEST_MOVE_PX, _LONGEST_MOVE_PX)
        normal = (weighted[2:] @ columns[2:].T).astype(np.float64)
        if not np.isfinite(normal).all() or not np.trace(normal) > 0.0:
            return None, False
        right = (weighted[2:] @ residual).astype(np.float64)
        step = _step(normal, right, float(shape[3]))
        before, shape = shape, _stepped(shape, step)
        settled = np.abs(shape[:3] - before[:3]).max() < tolerance * smallest(shape)
        # The first step of a robust fit still counts all pixels alike.
        if settled and (turn > 0 or not robust):
            return shape, True
        if robust:
            weight = 1.0 / (1.0 + (residual / np.float32(_NEIGHBOUR)) ** 2)
    return shape, False


def _residual(
    samples: _Samples, weight: Pixels, model: Pixels, slopes: Pixels
) -> tuple[Pixels, Pixels]:
    """Give each star its light; return what is left of it, and how that depends on the rest.

    Returns:
        Residuals as a share of the star's peak, shape (M,), and the derivatives of the fit, shape
        (6, M), from which is taken what a change of light would do as well.
    """
    weighted = weight * model
    power: Pixels = np.add.reduceat(weighted * model, samples.lights)
    power += np.float32(1e-12)
    light: Pixels = np.add.reduceat(weighted * samples.net, samples.lights)
    light /= power
    owner = samples.star[samples.lights]
    brightest: Pixels = np.zeros(len(samples.stars), dtype=np.float32)
    np.maximum.at(brightest, owner, light)
    brightest[brightest <= 0.0] = np.inf
    share = light / brightest[owner]
    residual: Pixels = samples.net / brightest[samples.star] - share[samples.light] * model
    along: Pixels = np.add.reduceat(weighted * slopes, samples.lights, axis=1)
    along *= share / power
    columns: Pixels = share[samples.light] * slopes
    columns -= along[:, samples.light] * model
    return residual, columns


def _step(normal: FloatArray, right: FloatArray, tail: float) -> FloatArray:
    """Solve for a step of the shape that leaves the exponent inside its bounds."""
    normal.flat[::5] *= 1.0 + _DAMPING
    step = np.asarray(np.linalg.solve(normal, right), np.float64)
    held = float(np.clip(tail + step[3], _LEAST_TAIL, _MOST_TAIL)) - tail
    if held != step[3]:
        # The widths depend on the exponent: they are solved for again with it at its bound.
        step[:3] = np.linalg.solve(normal[:3, :3], right[:3] - normal[:3, 3] * held)
        step[3] = held
    return step


def _stepped(shape: FloatArray, step: FloatArray) -> FloatArray:
    """Return the shape after a step, shortened to keep the short axis from vanishing."""
    least = max(0.4 * smallest(shape), _SMALLEST_PX2)
    limit = 0.6 * (shape[0] + shape[2])
    step = step * min(1.0, limit / max(float(np.abs(step[:3]).max()), 1e-12))
    for _ in range(8):
        if smallest(shape + step) >= least:
            return shape + step
        step = 0.5 * step
    return shape


def _moves(
    stars: IntArray, weighted: Pixels, columns: Pixels, residual: Pixels
) -> tuple[Pixels, Pixels]:
    """Return how far each star's place is to be moved, along x and y."""
    by_x, by_y = columns[:2]
    products = np.stack(
        (weighted[0] * by_x, weighted[1] * by_y, weighted[0] * by_y,
         weighted[0] * residual, weighted[1] * residual)
    )  # fmt: skip
    xx, yy, xy, rx, ry = np.add.reduceat(products, stars, axis=1)
    xx, yy = xx + np.float32(1e-12), yy + np.float32(1e-12)
    determinant = np.maximum(xx * yy - xy**2, np.float32(1e-6) * xx * yy)
    return (yy * rx - xy * ry) / determinant, (xx * ry - xy * rx) / determinant
