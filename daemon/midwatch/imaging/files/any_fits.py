"""Any FITS file as a frame to measure, whoever wrote it.

What is measured are whole numbers of 16 bits. Other numbers are laid onto them by a level and a
step, fine against the noise; results go back into the file's own numbers by the same.
"""

from __future__ import annotations

import bz2
import gzip
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame

__all__ = ["AnyFrame", "FrameFileError", "read_any_frame"]

# Frames of the largest sensors of the trade have 150 million pixels; measuring takes some 20 bytes
# for each. More than this and a small computer ends the program instead of the program the frame.
MOST_PIXELS = 160_000_000
_BLOCK, _MOST_HEADER = 2880, 4_000_000
_MOST_EXTENSIONS = 64
_FULL = 65535
# The noise of the sky is at least this many steps, unless the brightest stars then had no room.
_STEPS_OF_NOISE = 16.0
# A level that so many pixels share at the very top is where they are full.
_FLAT_TOP = 4
_SENSOR_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


class FrameFileError(ValueError):
    """A file that holds no frame that could be measured; the message says why and what to do."""


@dataclass(frozen=True, eq=False)
class AnyFrame:
    """A frame of any file.

    Attributes:
        frame: Its pixels.
        header: Cards of the part that holds them, and of the first part, by keyword.
        level: What the file's number was for a pixel of 0.
        step: What one more in a pixel was in the file.
    """

    frame: Frame
    header: dict[str, Any]
    level: float = 0.0
    step: float = 1.0


def read_any_frame(path: Path, most_pixels: int = MOST_PIXELS) -> AnyFrame:
    """Read the first image of a FITS file: plain, compressed as a whole, or in tiles.

    Three planes of one size are colours and are averaged. Sizes are looked at before any pixel is.

    Raises:
        FrameFileError: There is no such frame in it, it is too large, or damaged.
        OSError: The file cannot be read at all.
    """
    from astropy.io import fits

    _look_at_header(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fits.open(path, memmap=False, lazy_load_hdus=True) as parts:
                return _first_image(path, parts, most_pixels)
        except (FrameFileError, MemoryError):
            raise
        except Exception as error:
            # The library raises whatever a damaged file makes it trip over.
            raise FrameFileError(
                f"{path} is damaged or cut short: {str(error) or type(error).__name__}; copy it "
                "again from where it came from"
            ) from error


def _look_at_header(path: Path) -> None:
    """Refuse what is not FITS before more of it is read than a header may be long."""
    with path.open("rb") as file:
        start = file.read(3)
    try:
        with _opened(path, start) as file:
            ends = _header_ends(path, file)
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise FrameFileError(f"{path} is damaged: {error}; copy it again") from error
    if not ends:
        raise FrameFileError(f"{path} is damaged: its header has no end; copy it again")


def _opened(path: Path, start: bytes) -> IO[bytes]:
    if start[:2] == b"\x1f\x8b":
        return cast("IO[bytes]", gzip.GzipFile(path, "rb"))
    if start == b"BZh":
        return cast("IO[bytes]", bz2.BZ2File(path, "rb"))
    return path.open("rb")


def _header_ends(path: Path, file: IO[bytes]) -> bool:
    """Return whether the first header ends before it is longer than any header."""
    for number in range(_MOST_HEADER // _BLOCK):
        block = file.read(_BLOCK)
        if number == 0 and not block.startswith(b"SIMPLE  ="):
            raise FrameFileError(f"{path} is not FITS; give frames as FITS files")
        if any(block[at : at + 8] == b"END     " for at in range(0, len(block), 80)):
            return True
        if len(block) < _BLOCK:
            break
    return False


def _first_image(path: Path, parts: Any, most_pixels: int) -> AnyFrame:
    first: dict[str, Any] = {}
    for number, part in enumerate(_some(parts)):
        if number == 0:
            first = _cards(part.header)
        if not getattr(part, "is_image", False):
            continue
        shape = part.shape
        if len(shape) < 2 or 0 in shape:
            continue
        planes = _planes(path, shape)
        if planes * shape[-1] * shape[-2] > most_pixels * planes:
            raise FrameFileError(
                f"{path} holds {shape[-1]} x {shape[-2]} pixels, more than the "
                f"{most_pixels / 1e6:.0f} million that are measured at once; cut it into parts"
            )
        _check_tiles(path, part, most_pixels)
        return _frame_of(path, part.data, {**first, **_cards(part.header)})
    raise FrameFileError(f"{path} holds no image; give frames of two dimensions")


def _some(parts: Any) -> Iterator[Any]:
    for number in range(_MOST_EXTENSIONS):
        try:
            yield parts[number]
        except IndexError:
            return


def _planes(path: Path, shape: tuple[int, ...]) -> int:
    """Return how many planes an image has: one, or three of colour."""
    planes = int(np.prod(shape[:-2], dtype=np.int64)) if len(shape) > 2 else 1
    if planes not in (1, 3):
        raise FrameFileError(f"{path} holds {planes} planes; give a file for each frame")
    return planes


def _check_tiles(path: Path, part: Any, most_pixels: int) -> None:
    """Refuse tiles that are larger than the image: unpacking would need their whole size."""
    tile = getattr(part, "tile_shape", None)
    if tile is not None and int(np.prod([int(side) for side in tile])) > 3 * most_pixels:
        raise FrameFileError(f"{path} is damaged: its tiles are larger than any frame")


def _cards(header: Any) -> dict[str, Any]:
    cards: dict[str, Any] = {}
    for keyword in header:
        if keyword and keyword not in ("COMMENT", "HISTORY") and keyword not in cards:
            try:
                cards[str(keyword)] = header[keyword]
            except Exception:  # noqa: S112
                # A card that cannot be read is no reason to refuse the pixels.
                continue
    return cards


def _frame_of(path: Path, data: Any, header: dict[str, Any]) -> AnyFrame:
    pixels: NDArray[Any] = np.asarray(data)
    if pixels.dtype.kind not in "iuf":
        raise FrameFileError(f"{path} does not hold numbers that could be measured")
    pixels = pixels.reshape(-1, *pixels.shape[-2:])
    pixels = pixels[0] if len(pixels) == 1 else pixels.mean(axis=0, dtype=np.float32)
    bayer = _bayer(header, len(data.shape))
    if pixels.dtype.kind in "iu" and int(pixels.min()) >= 0 and int(pixels.max()) <= _FULL:
        raw = np.ascontiguousarray(pixels, dtype=np.uint16)
        return AnyFrame(Frame(raw, bayer, _full_level(header, raw, 0.0, 1.0)), header)
    values = pixels.astype(np.float32)
    known = np.isfinite(values)
    if not known.any():
        raise FrameFileError(f"{path} holds no pixel with a value")
    middle = float(np.median(values[known][:: max(1, values.size // 1_000_000)]))
    values[~known] = middle
    lowest, highest = float(values.min()), float(values.max())
    noise = 1.4826 * float(np.median(np.abs(values.ravel()[:: max(1, values.size // 1_000_000)]
                                            - middle)))  # fmt: skip
    step = (highest - lowest) / (_FULL - 1.0)
    if noise > 0.0 and step > noise / _STEPS_OF_NOISE:
        # Fine enough to see the noise: the very brightest pixels count as full.
        step = max(noise / _STEPS_OF_NOISE, (highest - lowest) / (50.0 * _FULL))
        lowest = max(lowest, middle - 20.0 * max(noise, step))
    step = step if step > 0.0 else 1.0
    raw = np.clip(np.rint((values - lowest) / step), 0, _FULL).astype(np.uint16)
    return AnyFrame(Frame(raw, bayer, _full_level(header, raw, lowest, step)), header, lowest, step)


def _full_level(
    header: dict[str, Any], raw: NDArray[np.uint16], level: float, step: float
) -> float:
    """Return the level at which a pixel is full: as the header has it, else a flat top."""
    declared = header.get("SATURATE")
    if isinstance(declared, int | float) and np.isfinite(declared) and declared > 0:
        return float(min(max((declared - level) / step, 1.0), _FULL))
    top = int(raw.max())
    flat = np.count_nonzero(raw == top) >= _FLAT_TOP and top > 4 * float(np.median(raw[::7, ::7]))
    return float(top) if flat else float(_FULL)


def _bayer(header: dict[str, Any], dimensions: int) -> str | None:
    """Return the colours of a mosaic from its corner on, None for an image without."""
    pattern = str(header.get("BAYERPAT", "")).strip().upper()
    if dimensions != 2 or pattern not in _SENSOR_PATTERNS:
        return None
    across, down = (header.get(key, 0) for key in ("XBAYROFF", "YBAYROFF"))
    if isinstance(across, int | float) and int(across) % 2:
        pattern = pattern[1] + pattern[0] + pattern[3] + pattern[2]
    if isinstance(down, int | float) and int(down) % 2:
        pattern = pattern[2:] + pattern[:2]
    return pattern
