"""An elliptical Moffat profile, averaged over pixels, and how it depends on its shape.

A shape is the variances xx, xy and yy of the ellipse, in pixels, and the inverse of the exponent,
which is 0 for a Gaussian (A. F. J. Moffat 1969).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["nodes_for", "profile", "smallest", "squares"]

FloatArray = NDArray[np.float64]
# The noise of a sensor is thousands of times what four bytes leave out, and they take half of the
# time of eight.
Pixels = NDArray[np.float32]

_PIXEL_VARIANCE = 1.0 / 12.0
# Gauss-Legendre nodes and weights across a pixel, by the variance of the short axis in square
# pixels from which they do. On wide stars the middle of a pixel stands for its whole.
_NODES = (
    (2.5, (0.0,), (1.0,)),
    (0.8, (-0.5 / np.sqrt(3.0), 0.5 / np.sqrt(3.0)), (0.5, 0.5)),
    (0.0, (-0.5 * np.sqrt(0.6), 0.0, 0.5 * np.sqrt(0.6)), (5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0)),
)


def smallest(shape: FloatArray) -> float:
    """Return the variance along the short axis."""
    xx, xy, yy = (float(part) for part in shape[:3])
    return 0.5 * (xx + yy) - float(np.hypot(0.5 * (xx - yy), xy))


def squares(u: FloatArray, v: FloatArray, shape: FloatArray) -> FloatArray:
    """Return the squared distance from the middle in standard deviations of the ellipse."""
    ixx, ixy, iyy = _inverse(shape, 0.0)
    result: FloatArray = ixx * u**2 + 2.0 * ixy * u * v + iyy * v**2
    return result


def nodes_for(shape: FloatArray) -> int:
    """Return how many points across a pixel a star of such a shape needs."""
    least = smallest(shape)
    return 1 + next(number for number, (from_px2, _, _) in enumerate(_NODES) if least >= from_px2)


def _inverse(shape: FloatArray, added: float) -> tuple[float, float, float]:
    xx, xy, yy = (float(part) for part in shape[:3])
    xx, yy = xx + added, yy + added
    determinant = max(xx * yy - xy**2, 1e-9)
    return yy / determinant, -xy / determinant, xx / determinant


def profile(u: Pixels, v: Pixels, shape: FloatArray, nodes: int) -> tuple[Pixels, Pixels]:
    """Return the profile, 1 at its peak, averaged over pixels, and its slopes.

    Args:
        u: Distance of pixels from the star along x, shape (M,).
        v: The same along y.
        shape: Variances xx, xy, yy, and the inverse of the exponent.
        nodes: Points across a pixel, 1 to 3.

    Returns:
        The profile, shape (M,), and its derivatives by the star's x and y and by the parts of the
        shape, shape (6, M).
    """
    tail = float(shape[3])
    ixx, ixy, iyy = _inverse(shape, _PIXEL_VARIANCE if nodes == 1 else 0.0)
    _, places, weights = _NODES[nodes - 1]
    grid = np.array([(dx, dy, a * b) for dy, a in zip(places, weights, strict=True)
                     for dx, b in zip(places, weights, strict=True)], np.float32)  # fmt: skip
    x, y = u + grid[:, :1], v + grid[:, 1:2]
    wx, wy = ixx * x + ixy * y, ixy * x + iyy * y
    square = wx * x
    square += wy * y
    base = 1.0 + (0.5 * tail) * square
    logarithm = np.log(base)
    value = grid[:, 2:] * np.exp(logarithm * (-1.0 / tail))
    # Minus twice the derivative by the squared distance.
    falling = value / base
    slopes = np.empty((6, len(u)), np.float32)
    along_x, along_y = falling * wx, falling * wy
    along_x.sum(axis=0, out=slopes[0])
    along_y.sum(axis=0, out=slopes[1])
    slopes[2] = 0.5 * np.einsum("ij,ij->j", along_x, wx)
    slopes[3] = np.einsum("ij,ij->j", along_x, wy)
    slopes[4] = 0.5 * np.einsum("ij,ij->j", along_y, wy)
    slopes[5] = np.einsum("ij,ij->j", value, logarithm) / tail**2
    slopes[5] -= np.einsum("ij,ij->j", falling, square) * (0.5 / tail)
    return value.sum(axis=0), slopes
