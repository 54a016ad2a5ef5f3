"""A small stretched picture of a frame, for a person to glance at."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame

__all__ = ["encode_png", "preview_png"]

Planes = NDArray[np.float32]

# Level of the sky in the picture, of 1: darker hides nebulae, brighter hides the shape of stars.
_SKY_LEVEL = 0.18
# How many standard deviations below the sky are black.
_BLACK_SIGMA = 2.5
# Share of the pixels that may burn out.
_WHITE_SHARE = 0.0005


def preview_png(frame: Frame, width_px: int = 480) -> bytes:
    """Draw a frame as a PNG, grey for a mono sensor and in colour for a mosaic.

    Pixels are averaged down in whole cells, so that the picture is at most width_px wide and
    never larger than the frame. The sky of each colour is brought to the same level, which also
    balances the colours, and one inverse hyperbolic sine stretches them all.

    Raises:
        ValueError: The width is not positive, or the frame has no pixels.
    """
    if width_px < 1 or frame.data.size == 0:
        raise ValueError(f"cannot draw a frame of {frame.data.shape} at {width_px} pixels")
    planes = _planes(frame)
    step = max(1, -(-planes.shape[2] // width_px))
    planes = _shrunk(planes, step)
    return encode_png(_stretched(planes))


def _planes(frame: Frame) -> Planes:
    """Return one plane for a mono frame, red, green and blue at half size for a mosaic."""
    data = frame.data
    if frame.bayer is None or min(data.shape) < 2:
        return data[None].astype(np.float32)
    height, width = data.shape[0] // 2 * 2, data.shape[1] // 2 * 2
    corners = [data[r:height:2, c:width:2].astype(np.float32) for r in (0, 1) for c in (0, 1)]
    return np.stack(
        [
            np.mean(
                [
                    corner
                    for corner, name in zip(corners, frame.bayer, strict=True)
                    if name == colour
                ],
                axis=0,
            )
            for colour in "RGB"
        ]
    )


def _shrunk(planes: Planes, step: int) -> Planes:
    step = min(step, planes.shape[1], planes.shape[2])
    if step == 1:
        return planes
    count, height, width = planes.shape
    rows, columns = height // step, width // step
    cells = planes[:, : rows * step, : columns * step].reshape(count, rows, step, columns, step)
    small: Planes = cells.mean(axis=(2, 4), dtype=np.float32)
    return small


def _stretched(planes: Planes) -> NDArray[np.uint8]:
    """Return a picture of shape (H, W, C) of planes of shape (C, H, W)."""
    sky = np.median(planes, axis=(1, 2), keepdims=True)
    sigma = 1.4826 * np.median(np.abs(planes - sky), axis=(1, 2), keepdims=True)
    # In these units black is 0 and the sky 1 in each colour.
    level = np.maximum((planes - sky) / (_BLACK_SIGMA * np.maximum(sigma, 0.5)) + 1.0, 0.0)
    # Never so little range that even a straight line would put the sky too high.
    white = max(float(np.quantile(level, 1.0 - _WHITE_SHARE)), 1.0 / _SKY_LEVEL)
    softness = _softness(1.0 / white)
    bent = np.arcsinh(np.minimum(level / white, 1.0) / softness) / np.arcsinh(1.0 / softness)
    return np.moveaxis(np.rint(255 * bent).astype(np.uint8), 0, -1)


def _softness(sky: float) -> float:
    """Return the s for which asinh(sky / s) / asinh(1 / s) is the wanted level, by bisection."""
    low, high = 1e-6, 1e3
    for _ in range(50):
        middle = np.sqrt(low * high)
        if np.arcsinh(sky / middle) / np.arcsinh(1 / middle) > _SKY_LEVEL:
            low = middle
        else:
            high = middle
    return float(np.sqrt(low * high))


def encode_png(picture: NDArray[np.uint8]) -> bytes:
    """Encode pixels of shape (H, W, 1) grey or (H, W, 3) colour as PNG (ISO/IEC 15948).

    Raises:
        ValueError: Another shape.
    """
    height, width, channels = picture.shape
    if channels not in (1, 3) or not height or not width:
        raise ValueError(f"a picture has one or three channels, not the shape {picture.shape}")
    # Every row begins with the number of its filter; 0 leaves the row as it is.
    rows = np.zeros((height, 1 + width * channels), dtype=np.uint8)
    rows[:, 1:] = picture.reshape(height, -1)
    colour_type = 0 if channels == 1 else 2
    head = struct.pack(">IIBBBBB", width, height, 8, colour_type, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", head)
        + _chunk(b"IDAT", zlib.compress(rows.tobytes(), 6))
        + _chunk(b"IEND", b"")
    )


def _chunk(name: bytes, content: bytes) -> bytes:
    check = zlib.crc32(name + content)
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)
