"""Frames on disk: whole, checksummed FITS files or none.

A file is built in memory, written under a temporary name in its own folder, forced to the disk
and only then given its name. A reader that finds the name finds the whole file, whatever was
killed and whenever.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
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
_CARD = 80
_KEYWORD = re.compile(r"[A-Z0-9_-]{1,8}")
_QUOTED = re.compile(r" *'((?:[^']|'')*)'")
_WHOLE = re.compile(r"[+-]?\d+")
# What the CHECKSUM card contains while the sum is taken (FITS 4.0, section 4.4.2.7).
_NO_CHECKSUM = "0" * 16
_PUNCTUATION = frozenset((*range(0x3A, 0x41), *range(0x5B, 0x61)))


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


@lru_cache(maxsize=2048, typed=True)
def _card_text(keyword: str, value: CardValue, comment: str) -> str:
    """Return a card in the fixed format of FITS 4.0, section 4.2, 80 characters long."""
    if not _KEYWORD.fullmatch(keyword):
        raise ValueError(f"FITS keyword {keyword!r} is not 1 to 8 of A-Z, 0-9, hyphen, underscore")
    text = f"{keyword:<8}= {_value_text(value):<20}"
    card = f"{text} / {comment}" if comment else text
    if not (card.isascii() and card.isprintable()):
        raise ValueError(f"FITS card {keyword} holds a character that is not printable ASCII")
    if len(text) > _CARD:
        raise ValueError(f"the value of FITS card {keyword} has no room in {_CARD} characters")
    return card[:_CARD].ljust(_CARD)


def _value_text(value: CardValue) -> str:
    """Write a value: logical and numbers end in column 30, text begins in column 11."""
    if isinstance(value, bool):
        return f"{'T' if value else 'F':>20}"
    if isinstance(value, int):
        return f"{value:>20d}"
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"FITS has no notation for {value}")
        mantissa, exponent, power = repr(float(value)).upper().partition("E")
        mantissa += "" if "." in mantissa else ".0"
        return f"{mantissa + exponent + power:>20}"
    quoted = value.replace("'", "''")
    return f"'{quoted:<8}'"


def _encode(data: NDArray[np.uint16], cards: Sequence[Card]) -> tuple[bytes, memoryview[int], int]:
    """Return header, data (still to be padded) and datasum of a file."""
    # Flipping the top bit subtracts 32768, as BZERO asks for.
    stored = (data ^ np.uint16(0x8000)).astype(">u2")
    body = stored.reshape(-1).view(np.uint8).data
    datasum = _ones_complement_sum(bytes(body) + bytes(-body.nbytes % 4))
    rows, columns = data.shape
    mandatory: list[Card] = [
        ("SIMPLE", True, "conforms to FITS standard"),
        ("BITPIX", 16, "array data type"),
        ("NAXIS", 2, "number of array dimensions"),
        ("NAXIS1", columns, ""),
        ("NAXIS2", rows, ""),
        ("BZERO", 32768, "data are unsigned 16 bit"),
        ("BSCALE", 1, "data are not scaled"),
    ]
    sums: list[Card] = [
        ("CHECKSUM", _NO_CHECKSUM, "checksum of the whole, FITS 4.0"),
        ("DATASUM", str(datasum), "checksum of the data, FITS 4.0"),
    ]
    text = "".join(_card_text(*card) for card in (*mandatory, *cards, *sums)) + "END".ljust(_CARD)
    unsigned = text.ljust(-(-len(text) // _BLOCK) * _BLOCK).encode("ascii")
    total = _folded(_ones_complement_sum(unsigned) + datasum)
    header = unsigned.replace(_NO_CHECKSUM.encode(), _checksum_text(total).encode(), 1)
    return header, body, datasum


def _checksum_text(total: int) -> str:
    """Write the complement of a ones-complement sum in sixteen letters and digits.

    FITS 4.0, appendix J: each byte is spread over four characters that add up to it above ASCII
    "0"; pairs are moved apart until none is punctuation; the whole is rotated by one character.
    """
    characters = [[0] * 4 for _ in range(4)]
    for place, byte in enumerate((0xFFFFFFFF - total).to_bytes(4, "big")):
        quarter, rest = divmod(byte, 4)
        four = [quarter + 0x30 + rest, *[quarter + 0x30] * 3]
        while any(c in _PUNCTUATION for c in four):
            for i in (0, 2):
                if four[i] in _PUNCTUATION or four[i + 1] in _PUNCTUATION:
                    four[i] += 1
                    four[i + 1] -= 1
        for i in range(4):
            characters[i][place] = four[i]
    text = "".join(chr(c) for word in characters for c in word)
    return text[-1] + text[:-1]


def _sync_folder(folder: Path) -> None:
    """Force the entry of a renamed file to the disk."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_fits(path: Path) -> FitsFile:
    """Read a frame that `write_fits` wrote, or one that is stored alike.

    Raises:
        OSError: The file cannot be read, is not FITS, or is cut short.
        ValueError: It does not hold a two-dimensional frame of unsigned 16-bit pixels.
    """
    content = path.read_bytes()
    header, begin = _read_header(path, content)
    stored = [header.get(keyword) for keyword in ("BITPIX", "NAXIS", "BZERO", "BSCALE")]
    rows, columns = header.get("NAXIS2"), header.get("NAXIS1")
    if stored != [16, 2, 32768, 1] or not (isinstance(rows, int) and isinstance(columns, int)):
        raise ValueError(f"{path} does not hold a frame of unsigned 16-bit pixels")
    if len(content) < begin + 2 * rows * columns:
        raise OSError(f"{path} is cut short")
    body = np.frombuffer(content, ">u2", rows * columns, begin).reshape(rows, columns)
    return FitsFile(body.astype(np.uint16) ^ np.uint16(0x8000), header)


def _read_header(path: Path, content: bytes) -> tuple[dict[str, CardValue], int]:
    """Return the values of the first header, and where its data begin."""
    header: dict[str, CardValue] = {}
    if content.startswith(b"SIMPLE  ="):
        for place in range(0, len(content) - len(content) % _BLOCK, _CARD):
            card = content[place : place + _CARD].decode("ascii", "replace")
            if card.rstrip() == "END":
                return header, -(-(place + _CARD) // _BLOCK) * _BLOCK
            if card[8:10] == "= ":
                header[card[:8].rstrip()] = _value(card[10:])
    raise OSError(f"{path} is not FITS")


def _value(text: str) -> CardValue:
    """Read what `_value_text` writes, whatever comment follows."""
    if quoted := _QUOTED.match(text):
        return quoted[1].replace("''", "'").rstrip()
    plain = text.partition("/")[0].strip()
    if plain in ("T", "F"):
        return plain == "T"
    return int(plain) if _WHOLE.fullmatch(plain) else float(plain)


def verify_checksum(path: Path) -> bool:
    """Return whether a file carries the checksums of FITS 4.0 and they hold.

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
    return _folded(int(np.frombuffer(content, ">u4").sum(dtype=np.uint64)))


def _folded(total: int) -> int:
    """Add what is carried beyond 32 bits back in."""
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total
