"""Whether the write-ahead log of an SQLite database holds together to its end.

The format is that of "WAL-mode File Format" in sqlite.org/fileformat2.html: a header of 32 bytes,
then frames of 24 bytes and a page each. Every frame carries the two salts of the header, and a
checksum over all before it. Frames with the salts of an earlier round are leftovers.
"""

from __future__ import annotations

import struct
from pathlib import Path

__all__ = ["torn"]

_HEADER, _FRAME = 32, 24
_LITTLE, _BIG = 0x377F0682, 0x377F0683
_WORD = 0xFFFFFFFF
# The first salt grows by one with each round.
_ROUNDS = 1 << 16

Sum = tuple[int, int]


def torn(log: Path) -> str | None:
    """Return what is wrong with a log; None if it holds together, or there is none.

    Frames that no transaction has completed are in order: their writer was killed.
    """
    try:
        data = log.read_bytes()
    except FileNotFoundError:
        return None
    if not data:
        return None
    if len(data) < _HEADER:
        return f"it has {len(data)} bytes, less than its header"
    magic, _, page_size, _, salt_1, salt_2, *stated = struct.unpack(">8I", data[:_HEADER])
    order = {_LITTLE: "<", _BIG: ">"}.get(magic)
    if order is None or tuple(stated) != _sum((0, 0), data[: _HEADER - 8], order):
        return "its header does not match its checksum"
    total: Sum = (stated[0], stated[1])
    at, number = _HEADER, 0
    while at < len(data):
        number += 1
        frame = data[at : at + _FRAME + page_size]
        salts = struct.unpack(">2I", frame[8:16]) if len(frame) >= 16 else None
        if salts != (salt_1, salt_2):
            left_over = salts is not None and 0 < (salt_1 - salts[0]) & _WORD < _ROUNDS
            return None if left_over else f"part {number} does not belong to it"
        if len(frame) < _FRAME + page_size:
            return f"part {number} is cut short"
        total = _sum(total, frame[:8] + frame[_FRAME:], order)
        if total != struct.unpack(">2I", frame[16:_FRAME]):
            return f"part {number} does not match its checksum"
        at += _FRAME + page_size
    return None


def _sum(start: Sum, data: bytes, order: str) -> Sum:
    one, two = start
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for x, y in zip(words[::2], words[1::2], strict=True):
        one = (one + x + two) & _WORD
        two = (two + y + one) & _WORD
    return one, two
