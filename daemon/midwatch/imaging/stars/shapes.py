"""The shape that stars of a frame share: how long, which way, with what the pixels add taken out.

Second moments of a star hold the square of the pixel, of the kernel that detection smooths with,
and on a mosaic of the cell of 2x2 pixels; on sharp stars these are larger than the star. So an
elliptical profile is integrated over the pixels and fitted to them as they were read out, for all
stars of a group at once: each star has its own place and light, the shape is common. On a mosaic
every pixel takes part as a sample of its own, with the star's light in its colour.

The profile is Moffat's (A. F. J. Moffat 1969), with ellipses in place of circles. Its exponent is
fitted, too: with a wrong one sharp stars would read up to 5 percent too long or too round.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame
from midwatch.imaging.stars.star_table import SHAPE_SNR, StarTable, common_elongation

__all__ = ["Ellipse", "StarShapes"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

# Inverse of the exponent: where the fit begins, and its bounds. Below, the profile is a Gaussian to
# all that pixels can show; above, the wings hold more light than the star.
_TAIL, _LEAST_TAIL, _MOST_TAIL = 0.25, 0.04, 0.55
# Gauss-Legendre nodes and weights of three points across a pixel.
_NODES = np.array((-0.5, 0.0, 0.5)) * np.sqrt(0.6)
_NODE_WEIGHTS = np.array((5.0, 8.0, 5.0)) / 18.0
_PIXEL_VARIANCE = 1.0 / 12.0
# From this variance on, of the short axis, the middle of a pixel stands for its whole.
_WIDE_PX2 = 2.5
# Standard deviations of the ellipse within which pixels are fitted, and pixels beyond that.
_REACH, _MARGIN_PX = 2.6, 1.5
_LARGEST_PX = 60
# Pixels fitted in all. More: the fit takes longer than finding the stars.
_MOST_SAMPLES = 40_000
# A profile of ellipses says little of what is drawn out longer than this.
_LONGEST_FITTED = 6.0
_ROUNDS, _PLAIN_ROUNDS = 25, 4
_SETTLED = 1e-3
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
    """

    ratio: float
    angle_deg: float


class _Samples(NamedTuple):
    """Pixels of all stars in one row, shape (M,)."""

    star: IntArray
    light: IntArray  # number of the amplitude: star and colour
    x: FloatArray
    y: FloatArray
    net: FloatArray


class StarShapes:
    """Answers what shape some stars of a frame share."""

    def __init__(self, frame: Frame, image: NDArray[np.float32], table: StarTable) -> None:
        """Begin with a raw frame, its luminance without background, and its stars."""
        self._frame, self._image, self._table = frame, image, table

    def common(self, rows: IntArray, most_samples: int = _MOST_SAMPLES) -> Ellipse:
        """Return the shape common to the bright ones among some stars.

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
        by_moments = Ellipse(*common_elongation(self._table, bright))
        if self._table.discs or by_moments.ratio > _LONGEST_FITTED:
            return by_moments
        guess = _first_guess(self._table, bright)
        samples = _samples(self._frame, self._image, self._table, bright, guess, most_samples)
        fitted = _refined(samples, guess) if samples is not None else None
        return _ellipse(fitted) if fitted is not None else by_moments


def _ellipse(shape: FloatArray) -> Ellipse:
    xx, xy, yy, _ = shape
    mean, half = 0.5 * (xx + yy), float(np.hypot(0.5 * (xx - yy), xy))
    large, small = mean + half, mean - half
    return Ellipse(
        float(np.sqrt(large / small)),
        float(np.degrees(0.5 * np.arctan2(2.0 * xy, xx - yy))),
    )


def _first_guess(table: StarTable, group: IntArray) -> FloatArray:
    """Return variances xx, xy, yy in pixels of the frame, and the inverse of the exponent."""
    ratio = np.maximum(table.axis_ratio[group], 1.0)
    turn = np.radians(table.angle_deg[group])
    # Half of a Gaussian's light lies within 1.177 of its deviation.
    size2 = (np.nanmedian(table.hfr_px[group]) / 1.17741) ** 2
    large, small = ratio, 1.0 / ratio
    c, s = np.cos(turn), np.sin(turn)
    parts = (large * c**2 + small * s**2, (large - small) * c * s, large * s**2 + small * c**2)
    return np.array([*(size2 * np.median(part) for part in parts), _TAIL])


def _samples(
    frame: Frame,
    image: NDArray[np.float32],
    table: StarTable,
    group: IntArray,
    shape: FloatArray,
    most_samples: int,
) -> _Samples | None:
    """Return the pixels inside the ellipses about the brightest stars; None where none fits."""
    xx, xy, yy = shape[:3]
    widest = _REACH * np.sqrt(max(xx, yy)) + _MARGIN_PX
    half = int(min(np.ceil(widest), _LARGEST_PX))
    data = image if frame.bayer is None else frame.data
    height, width = data.shape
    ring = 0 if frame.bayer is None else 3
    x, y = table.x_px[group], table.y_px[group]
    inside = (x >= half + ring) & (y >= half + ring)
    inside &= (x < width - half - ring - 1) & (y < height - half - ring - 1)
    area = np.pi * np.sqrt(max(xx * yy - xy**2, 0.01)) * _REACH**2 + 30.0
    chosen = np.flatnonzero(inside)[: max(4, int(most_samples / area))]
    if len(chosen) == 0:
        return None
    x, y = x[chosen], y[chosen]
    offsets = np.arange(-half - ring, half + ring + 1)
    column = np.rint(x).astype(np.intp)[:, None, None] + offsets[None, None, :]
    row = np.rint(y).astype(np.intp)[:, None, None] + offsets[None, :, None]
    column, row = np.broadcast_arrays(column, row)
    net = data[row, column].astype(np.float64)
    u, v = column - x[:, None, None], row - y[:, None, None]
    inverse = _inverse(shape)
    distance = np.sqrt(inverse[0] * u**2 + 2.0 * inverse[1] * u * v + inverse[2] * v**2)
    # A margin in pixels, so that the smallest stars keep their neighbours' pixels.
    radius = np.hypot(u, v)
    within = distance * np.maximum(radius - _MARGIN_PX, 0.0) <= _REACH * radius
    star = np.broadcast_to(np.arange(len(chosen))[:, None, None], net.shape)
    if frame.bayer is None:
        light = star
    else:
        place = 2 * (row % 2) + column % 2
        _without_sky(net, place, ~within)
        colour = np.array(["RGB".index(c) for c in frame.bayer])[place]
        light = 3 * star + colour
    return _Samples(star[within], light[within], u[within], v[within], net[within])


def _without_sky(net: FloatArray, place: IntArray, around: NDArray[np.bool_]) -> None:
    """Subtract from each star's pixels the median of what surrounds it in the same colour."""
    for corner in range(4):
        mine = place == corner
        ring = np.where(mine & around, net, np.nan)
        level = np.nanmedian(ring.reshape(len(net), -1), axis=1)
        net -= np.where(mine, level[:, None, None], 0.0)


def _inverse(shape: FloatArray) -> FloatArray:
    xx, xy, yy = shape[:3]
    inverse: FloatArray = np.array((yy, -xy, xx)) / max(float(xx * yy - xy**2), 1e-9)
    return inverse


def _refined(samples: _Samples, shape: FloatArray) -> FloatArray | None:
    """Fit shape, places and light by Gauss-Newton steps; None where that leads nowhere."""
    stars = int(samples.star.max()) + 1
    shift_x, shift_y = np.zeros(stars), np.zeros(stars)
    weight: FloatArray = np.ones(len(samples.net))
    for turn in range(_ROUNDS):
        u, v = samples.x - shift_x[samples.star], samples.y - shift_y[samples.star]
        residual, (by_x, by_y, *by_shape) = _residual(samples, weight, *_profile(u, v, shape))
        move_x, move_y = _moves(samples.star, weight, by_x, by_y, residual)
        shift_x += np.clip(move_x, -_LONGEST_MOVE_PX, _LONGEST_MOVE_PX)
        shift_y += np.clip(move_y, -_LONGEST_MOVE_PX, _LONGEST_MOVE_PX)
        design = np.stack(by_shape, axis=1)
        normal = (design * weight[:, None]).T @ design
        if not np.isfinite(normal).all() or not np.trace(normal) > 0.0:
            return None
        step = _step(normal, design.T @ (weight * residual), float(shape[3]))
        before, shape = shape, _stepped(shape, step)
        if turn >= _PLAIN_ROUNDS:
            weight = 1.0 / (1.0 + (residual / _NEIGHBOUR) ** 2)
            if np.abs(shape[:3] - before[:3]).max() < _SETTLED * _smallest(shape):
                break
    return shape if _smallest(shape) > 2.0 * _SMALLEST_PX2 else None


def _residual(
    samples: _Samples, weight: FloatArray, model: FloatArray, slopes: tuple[FloatArray, ...]
) -> tuple[FloatArray, list[FloatArray]]:
    """Give each star its light; return what is left of it, and how that depends on the rest.

    Returns:
        Residuals as a share of the star's peak, shape (M,), and the derivatives of the fit, from
        which is taken what a change of light would do as well.
    """
    owner = np.zeros(int(samples.light.max()) + 1, dtype=np.intp)
    owner[samples.light] = samples.star
    power = np.maximum(np.bincount(samples.light, weight * model**2), 1e-12)
    light = np.bincount(samples.light, weight * model * samples.net) / power
    brightest = np.zeros(int(samples.star.max()) + 1)
    np.maximum.at(brightest, owner, light)
    brightest = np.where(brightest > 0.0, brightest, np.inf)
    unit = light[samples.light] / brightest[samples.star]
    residual = samples.net / brightest[samples.star] - unit * model
    columns = []
    for slope in slopes:
        along = np.bincount(samples.light, weight * model * slope) / power
        columns.append(unit * (slope - along[samples.light] * model))
    return residual, columns


def _smallest(shape: FloatArray) -> float:
    """Return the variance along the short axis."""
    xx, xy, yy = shape[:3]
    return float(0.5 * (xx + yy) - np.hypot(0.5 * (xx - yy), xy))


def _step(normal: FloatArray, right: FloatArray, tail: float) -> FloatArray:
    """Solve for a step of the shape that leaves the exponent inside its bounds."""
    normal[np.diag_indices(4)] *= 1.0 + _DAMPING
    step = np.asarray(np.linalg.solve(normal, right), np.float64)
    held = float(np.clip(tail + step[3], _LEAST_TAIL, _MOST_TAIL)) - tail
    if held != step[3]:
        # The widths depend on the exponent: they are solved for again with it at its bound.
        step[:3] = np.linalg.solve(normal[:3, :3], right[:3] - normal[:3, 3] * held)
        step[3] = held
    return step


def _stepped(shape: FloatArray, step: FloatArray) -> FloatArray:
    """Return the shape after a step, shortened to keep the short axis from vanishing."""
    least = max(0.4 * _smallest(shape), _SMALLEST_PX2)
    limit = 0.6 * (shape[0] + shape[2])
    step = step * min(1.0, limit / max(float(np.abs(step[:3]).max()), 1e-12))
    for _ in range(8):
        if _smallest(shape + step) >= least:
            return shape + step
        step = 0.5 * step
    return shape


def _moves(
    star: IntArray, weight: FloatArray, by_x: FloatArray, by_y: FloatArray, residual: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how far each star's place is to be moved, along x and y."""
    xx = np.bincount(star, weight * by_x**2) + 1e-12
    yy = np.bincount(star, weight * by_y**2) + 1e-12
    xy = np.bincount(star, weight * by_x * by_y)
    rx = np.bincount(star, weight * by_x * residual)
    ry = np.bincount(star, weight * by_y * residual)
    determinant = np.maximum(xx * yy - xy**2, 1e-6 * xx * yy)
    return (yy * rx - xy * ry) / determinant, (xx * ry - xy * rx) / determinant


def _profile(
    u: FloatArray, v: FloatArray, shape: FloatArray
) -> tuple[FloatArray, tuple[FloatArray, ...]]:
    """Return the profile, 1 at its peak, averaged over pixels, and its slopes.

    Args:
        u: Distance of pixels from the star along x.
        v: The same along y.
        shape: Variances xx, xy, yy, and the inverse of the exponent.

    Returns:
        The profile, and its derivatives by the star's x and y and by the parts of the shape, each
        of shape (M,).
    """
    tail = float(shape[3])
    wide = _smallest(shape) > _WIDE_PX2
    ixx, ixy, iyy = _inverse(shape + np.array((1.0, 0.0, 1.0, 0.0)) * (_PIXEL_VARIANCE * wide))
    nodes, weights = ((0.0,), (1.0,)) if wide else (tuple(_NODES), tuple(_NODE_WEIGHTS))
    total = np.zeros(len(u))
    slopes = [np.zeros(len(u)) for _ in range(6)]
    for dy, weight_y in zip(nodes, weights, strict=True):
        for dx, weight_x in zip(nodes, weights, strict=True):
            x, y = u + dx, v + dy
            wx, wy = ixx * x + ixy * y, ixy * x + iyy * y
            square = wx * x + wy * y
            base = 1.0 + 0.5 * tail * square
            logarithm = np.log(base)
            value = weight_x * weight_y * np.exp(logarithm / -tail)
            total += value
            # Minus twice the derivative by the squared distance.
            falling = value / base
            slopes[0] += falling * wx
            slopes[1] += falling * wy
            slopes[2] += 0.5 * falling * wx**2
            slopes[3] += falling * wx * wy
            slopes[4] += 0.5 * falling * wy**2
            slopes[5] += value * logarithm / tail**2 - 0.5 * falling * square / tail
    return total, tuple(slopes)
