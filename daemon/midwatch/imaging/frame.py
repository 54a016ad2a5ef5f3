"""A frame as it left the camera, and its luminance for measuring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Frame", "brightest_of", "full_share", "luminance"]

_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True, eq=False)
class Frame:
    """Raw pixels of one exposure.

    Attributes:
        data: Pixels in ADU, shape (H, W): H rows along y, W columns along x.
        bayer: Colours of the first two rows and columns, row by row; None for a mono sensor.
        saturation_adu: Level at and above which a pixel is full.
    """

    data: NDArray[np.uint16]
    bayer: str | None = None
    saturation_adu: float = 65535.0

    def __post_init__(self) -> None:
        if self.data.ndim != 2 or self.data.dtype != np.uint16:
            raise ValueError(
                f"a frame is an (H, W) array of uint16, not {self.data.shape} {self.data.dtype}"
            )
        if self.bayer is not None and self.bayer not in _PATTERNS:
            raise ValueError(f"unknown colour pattern {self.bayer!r}; known are {_PATTERNS}")


def luminance(frame: Frame) -> tuple[NDArray[np.float32], int]:
    """Return the pixels to measure stars on, and how many frame pixels one of them spans.

    A mono frame is taken as it is. In a colour mosaic neighbouring pixels see different colours,
    which looks like structure, so each cell of 2x2 is averaged into one pixel and nothing is
    interpolated. All four pixels of the cell take part: the average of only the two greens lies
    on a diagonal and makes round stars look long.

    Returns:
        Image in ADU, shape (H, W) or (H // 2, W // 2), and the factor 1 or 2. Pixel i of the
        image has its centre at i * factor + (factor - 1) / 2 of the frame. An odd last row or
        column of a mosaic is left out.
    """
    if frame.bayer is None:
        return frame.data.astype(np.float32), 1
    height, width = frame.data.shape[0] // 2 * 2, frame.data.shape[1] // 2 * 2
    # Whole rows first: their pixels lie next to each other.
    rows = np.add(frame.data[0:height:2], frame.data[1:height:2], dtype=np.uint32)
    cells = (rows[:, 0:width:2] + rows[:, 1:width:2]).astype(np.float32)
    cells *= np.float32(0.25)
    return cells, 2


def brightest_of(
    frame: Frame, row: NDArray[np.intp], column: NDArray[np.intp]
) -> NDArray[np.uint16]:
    """Return the brightest raw pixel under some pixels of `luminance`, to find full ones.

    Those outside of the image are as their nearest.
    """
    planes = _corners(frame.data) if frame.bayer is not None else (frame.data,)
    height, width = planes[0].shape
    row, column = np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)
    brightest = planes[0][row, column]
    for plane in planes[1:]:
        brightest = np.maximum(brightest, plane[row, column])
    return brightest


def full_share(frame: Frame) -> float:
    """Return the share of pixels that are full."""
    # Whole numbers are compared many times as quickly as fractions.
    least = min(max(int(np.ceil(frame.saturation_adu)), 1), 65536)
    return float(np.count_nonzero(frame.data > np.uint16(least - 1))) / max(frame.data.size, 1)


def _corners(data: NDArray[np.uint16]) -> tuple[NDArray[np.uint16], ...]:
    height, width = data.shape[0] // 2 * 2, data.shape[1] // 2 * 2
    return tuple(data[row:height:2, column:width:2] for row in (0, 1) for column in (0, 1))
