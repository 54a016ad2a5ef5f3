"""A small stretched picture of a frame, for a person to glance at."""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame

__all__ = ["encode_png", "preview_png"]

Plane = NDArray[np.float32]
Planes = NDArray[np.float32]

# Level of the sky in the picture, of 1: darker hides nebulae, brighter hides the shape of stars.
_SKY_LEVEL = 0.18
# How many standard deviations below the sky are black.
_BLACK_SIGMA = 2.5
# Colours are balanced by pixels so far above the noise, if there are so many. Less and noise takes
# part; more and fields of few stars are balanced by noise.
_STAR_SIGMA, _FEWEST_STAR_PIXELS = 10.0, 40
# How much farther from grey bright colours are drawn. Less and all stars look white; more and they
# look painted.
_MORE_COLOUR = 1.0
# Share of the pixels that may burn out.
_WHITE_SHARE = 0.0005


def preview_png(frame: Frame, width_px: int = 480) -> bytes:
    """Draw a frame as a PNG, grey for a mono sensor and in colour for a mosaic.

    Pixels are averaged down in whole cells, so that the picture is at most width_px wide and
    never larger than the frame. The sky of each colour is brought to the same level, the
    stars on the whole to white, and one inverse hyperbolic sine stretches all colours.

    Raises:
        ValueError: The width is not positive, or the frame has no pixels.
    """
    if width_px < 1 or frame.data.size == 0:
        raise ValueError(f"cannot draw a frame of {frame.data.shape} at {width_px} pixels")
    return encode_png(_stretched(_planes(frame, width_px)))


def _planes(frame: Frame, width_px: int) -> Planes:
    """Return one plane for a mono frame, red, green and blue for a mosaic, averaged down.

    A pixel of a plane is the mean of all pixels of its colour in a square of whole cells.
    """
    data = frame.data
    if frame.bayer is None or min(data.shape) < 2:
        return _means(data, width_px)[None]
    height, width = data.shape[0] // 2 * 2, data.shape[1] // 2 * 2
    colours: dict[str, list[Plane]] = {"R": [], "G": [], "B": []}
    for place, colour in enumerate(frame.bayer):
        corner = data[place // 2 : height : 2, place % 2 : width : 2]
        colours[colour].append(_means(corner, width_px))
    return np.stack([sum(planes[1:], planes[0]) / len(planes) for planes in colours.values()])


def _means(data: NDArray[np.uint16], width_px: int) -> Plane:
    """Return the means of squares that are just large enough for the width."""
    step = min(max(1, -(-data.shape[1] // width_px)), *data.shape)
    rows, columns = data.shape[0] // step, data.shape[1] // step
    total = np.zeros((rows, columns), dtype=np.float32)
    # Added up one place of the squares at a time, nothing of the frame's size is made on the way.
    for row in range(step):
        for column in range(step):
            total += data[row : rows * step : step, column : columns * step : step]
    total /= step * step
    return total


def _stretched(planes: Planes) -> NDArray[np.uint8]:
    """Return a picture of shape (H, W, C) of planes of shape (C, H, W)."""
    sky = np.median(planes, axis=(1, 2), keepdims=True)
    sigma = 1.4826 * np.median(np.abs(planes - sky), axis=(1, 2), keepdims=True)
    unit = _balanced(planes - sky, np.maximum(sigma, 0.5))
    # In these units black is 0 and the sky 1 in each colour.
    level = np.maximum((planes - sky) / (_BLACK_SIGMA * unit) + 1.0, 0.0)
    # Never so little range that even a straight line would put the sky too high.
    white = max(float(np.quantile(level, 1.0 - _WHITE_SHARE)), 1.0 / _SKY_LEVEL)
    softness = _softness(1.0 / white)
    bent = np.arcsinh(np.minimum(level / white, 1.0) / softness) / np.arcsinh(1.0 / softness)
    bent = _vivid(bent)
    return np.moveaxis(np.rint(255 * bent).astype(np.uint8), 0, -1)


def _vivid(bent: Planes) -> Planes:
    """Give what is brighter than the sky back the colour that stretching takes from it."""
    grey = bent.mean(axis=0)
    more = 1.0 + _MORE_COLOUR * np.clip(grey / _SKY_LEVEL - 1.0, 0.0, 1.0)
    # Not down into the sky: what is red would be drawn with holes in the other colours.
    floor = np.minimum(bent, 2.0 * _SKY_LEVEL)
    vivid: Planes = np.clip(grey + more * (bent - grey), floor, 1.0)
    return vivid


def _balanced(light: Planes, sigma: Planes) -> Planes:
    """Return the unit of each colour in which the stars of the frame are white on the whole.

    It is the noise of each colour where the frame has too few stars; green, of which a mosaic has
    two pixels, would then be too strong in stars.

    Args:
        light: Above the sky, shape (C, H, W).
        sigma: Noise of the sky, shape (C, 1, 1).
    """
    bright = (light > _STAR_SIGMA * sigma).all(axis=0)
    if len(light) == 1 or np.count_nonzero(bright) < _FEWEST_STAR_PIXELS:
        return sigma
    share = np.median(light[:, bright] / light[:, bright].mean(axis=0), axis=1)
    unit: Planes = share[:, None, None] * np.mean(sigma[:, 0, 0] / share)
    return unit


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
