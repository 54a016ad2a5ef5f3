"""Frames on disk: whole, checksummed FITS files or none.

A file is built in memory, written under a temporary name in its own folder, forced to the disk
and only then given its name. Whoever finds the name therefore finds the whole file, whatever was
killed and whenever.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Card",
    "CardValue",
    "FileFacts",
    "FitsFile",
    "read_fits",
    "verify_checksum",
    "write_fits",
]

CardValue = str | bool | int | float
Card = tuple[str, CardValue, str]
_BLOCK = 2880
# The library stamps its checksum cards with the wall clock unless told otherwise; a fixed text
# keeps the bytes of a rehearsal the same each time.
_CHECKSUM_STAMP = "when the file was written"


@dataclass(frozen=True)
class FileFacts:
    """What is known of a file once it is on disk.

    Attributes:
        path: Where it is.
        sha256: Digest of the whole file, hexadecimal.
        size_bytes: Its length.
        datasum: The DATASUM card: unsigned 32-bit ones-complement sum of the data.
    """

    path: Path
    sha256: str
    size_bytes: int
    datasum: int


@dataclass(frozen=True)
class FitsFile:
    """The content of a file that was read: data of shape (H, W), cards by keyword."""

    data: NDArray[np.uint16]
    header: dict[str, CardValue]


def write_fits(
    path: Path, data: NDArray[np.uint16], cards: Sequence[Card], *, durable: bool = True
) -> FileFacts:
    """Write a frame as a FITS 4.0 file with CHECKSUM and DATASUM.

    Args:
        path: The final name; an existing file of that name is replaced in one step. Its folder
            must exist.
        data: Pixels of shape (H, W), unsigned 16 bit; stored signed with BZERO 32768.
        cards: (keyword, value, comment), written in this order after the mandatory ones.
        durable: Force file and folder to the disk before returning. Only rehearsals do without.

    Returns:
        The facts of the file.

    Raises:
        ValueError: The data are not two-dimensional unsigned 16-bit, or a card is not valid.
        OSError: The disk is full, the folder is missing, and so on, as the system reports it;
            no partial file remains under either name.
    """
    if data.dtype != np.uint16 or data.ndim != 2 or data.size == 0:
        raise ValueError(f"a frame is an (H, W) array of uint16, not {data.shape} {data.dtype}")
    header, body, datasum = _encode(data, cards)
    padding = bytes(-body.nbytes % _BLOCK)
    digest = hashlib.sha256(header)
    digest.update(body)
    digest.update(padding)
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            file.write(header)
            file.write(body)
            file.write(padding)
            if durable:
                file.flush()
                os.fsync(file.fileno())
        partial.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise
    if durable:
        _sync_folder(path.parent)
    size = len(header) + body.nbytes + len(padding)
    return FileFacts(path, digest.hexdigest(), size, datasum)


def _encode(data: NDArray[np.uint16], cards: Sequence[Card]) -> tuple[bytes, memoryview[int], int]:
    """Return header, data (still to be padded) and datasum of a file."""
    from astropy.io import fits

    # Flipping the top bit subtracts 32768; the library's own conversion copies more often.
    stored = (data ^ np.uint16(0x8000)).astype(">u2").view(">i2")
    hdu = fits.PrimaryHDU(stored)
    hdu.header["BZERO"] = (32768, "data are unsigned 16 bit")
    hdu.header["BSCALE"] = (1, "data are not scaled")
    for keyword, value, comment in cards:
        if len(keyword) > 8:
            raise ValueError(f"FITS keyword {keyword!r} is longer than 8 characters")
        # Appending is quick; setting by name searches all cards each time.
        hdu.header.append((keyword, value, comment), bottom=True)
    hdu.add_checksum(when=_CHECKSUM_STAMP)
    header = hdu.header.tostring().encode("ascii")
    return header, stored.reshape(-1).view(np.uint8).data, int(hdu.header["DATASUM"])


def _sync_folder(folder: Path) -> None:
    """Force the entry of a renamed file to the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_fits(path: Path) -> FitsFile:
    """Read the frame of a file's first part.

    Raises:
        OSError: The file cannot be read, or is not FITS.
        ValueError: It does not hold a two-dimensional frame of unsigned 16-bit pixels.
    """
    from astropy.io import fits

    with fits.open(path, memmap=False, uint=True) as parts:
        data = parts[0].data
        if data is None or data.ndim != 2 or data.dtype != np.uint16:
            raise ValueError(f"{path} does not hold a frame of unsigned 16-bit pixels")
        return FitsFile(np.ascontiguousarray(data), dict(_values(parts[0].header.cards)))


def _values(cards: Sequence[Card]) -> Iterator[tuple[str, CardValue]]:
    return ((keyword, value) for keyword, value, _ in cards if keyword)


def verify_checksum(path: Path) -> bool:
    """Tell whether a file carries the checksums of FITS 4.0 and they hold.

    The ones-complement sum of an intact part is all ones, whatever it contains (FITS 4.0,
    appendix J). A file that was cut short, changed or never summed gives False.

    Raises:
        OSError: The file cannot be read at all.
    """
    content = path.read_bytes()
    if not content or len(content) % _BLOCK or b"CHECKSUM= '" not in content[: 40 * _BLOCK]:
        return False
    return _ones_complement_sum(content) == 0xFFFFFFFF


def _ones_complement_sum(content: bytes) -> int:
    total = int(np.frombuffer(content, ">u4").sum(dtype=np.uint64))
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total
