"""Small squares of pixels around stars, all of one size, cut out at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stamps", "subtract_sky"]

FloatArray = NDArray[np.float64]
Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]


class Stamps(NamedTuple):
    """The pixels around S stars.

    Attributes:
        u: Distance of columns from their star, shape (S, 1, W).
        v: Distance of rows, shape (S, H, 1).
        net: The pixels, shape (S, H, W).
        seen: Which of them lie inside the frame, shape (S, H, W).
    """

    u: FloatArray
    v: FloatArray
    net: Pixels
    seen: Mask

    @classmethod
    def cut(
        cls, data: NDArray[np.generic], x: FloatArray, y: FloatArray, half: int, *, mosaic: bool
    ) -> Stamps:
        """Cut stamps out of a frame.

        Args:
            data: The frame.
            x: Where the stars are along x, shape (S,).
            y: The same along y.
            half: Pixels on each side of the star's own.
            mosaic: Whether stamps consist of whole cells of a mosaic, so that a colour has the
                same places in all of them.
        """
        height, width = data.shape
        first_x, first_y = np.rint(x).astype(np.intp) - half, np.rint(y).astype(np.intp) - half
        side = 2 * half + 1
        if mosaic:
            first_x, first_y, side = first_x // 2 * 2, first_y // 2 * 2, side + 1
        offsets = np.arange(side)
        column, row = first_x[:, None] + offsets, first_y[:, None] + offsets
        seen = ((row >= 0) & (row < height))[:, :, None] & (
            (column >= 0) & (column < width)
        )[:, None, :]  # fmt: skip
        net = data[
            np.clip(row, 0, height - 1)[:, :, None], np.clip(column, 0, width - 1)[:, None, :]
        ].astype(np.float32)
        return cls((column - x[:, None])[:, None, :], (row - y[:, None])[:, :, None], net, seen)


def subtract_sky(stamps: Stamps, around: Mask) -> None:
    """Subtract from each star of a mosaic, colour by colour, the median of its surroundings.

    Args:
        stamps: Of whole cells; changed in place.
        around: Which pixels are the surroundings, shape (S, H, W); without any, nothing changes.
    """
    stars = np.arange(len(stamps.net))
    for row in (0, 1):
        for column in (0, 1):
            mine = stamps.net[:, row::2, column::2]
            sky = np.where(around[:, row::2, column::2], mine, np.float32(np.inf))
            ranked = np.sort(sky.reshape(len(mine), mine.shape[1] * mine.shape[2]), axis=1)
            count = np.count_nonzero(np.isfinite(ranked), axis=1)
            lower, upper = (
                ranked[stars, np.maximum(at, 0)] for at in ((count - 1) // 2, count // 2)
            )
            level = np.where(count > 0, 0.5 * (lower + upper), np.float32(0.0))
            mine -= level[:, None, None]
