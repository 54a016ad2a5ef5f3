"""The form in which facts are stored, and the chain of digests over them."""

from __future__ import annotations

import hashlib
import json
import sqlite3

from midwatch.journal.facts import Fact

__all__ = ["COLUMNS", "GENESIS", "UNREADABLE", "Row", "canonical", "link", "rounded_fact", "walk"]

GENESIS = "0" * 64
COLUMNS = "seq, at_utc_s, night, kind, facts, digest"
# What reading a damaged file raises: the library cannot even decode some of its own complaints.
UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)
_DECIMALS = 6
_WRITER = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
)

Row = tuple[int, float, str, str, str, str]


def rounded_fact(fact: Fact) -> Fact:
    """Return the fact with every float rounded; the same object where nothing changed."""
    changed = {}
    for name, value in fact.__dict__.items():
        rounded = _rounded(value)
        if rounded is not value:
            changed[name] = rounded
    return fact.model_copy(update=changed) if changed else fact


def _rounded(value: object) -> object:
    """Return `value` with every float rounded; the same object where nothing changed."""
    if isinstance(value, float):
        rounded = round(value, _DECIMALS) + 0.0  # adding zero turns -0.0 into 0.0
        return value if repr(rounded) == repr(value) else rounded
    if isinstance(value, tuple):
        parts = tuple(_rounded(part) for part in value)
        return value if all(a is b for a, b in zip(parts, value, strict=True)) else parts
    if isinstance(value, list):
        return [_rounded(part) for part in value]
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    return value


def canonical(fact: Fact) -> str:
    """Return the one JSON text of a fact: sorted keys, no spaces.

    Raises:
        ValueError: It holds a number that JSON does not know.
    """
    return _WRITER.encode(fact.__dict__)


def link(head: str, seq: int, at_utc_s: float, night: str, kind: str, facts: str) -> str:
    """Return the digest of an event after the one whose digest is `head`."""
    line = f"{head}\n{seq}\n{at_utc_s!r}\n{night}\n{kind}\n{facts}\n"
    return hashlib.blake2b(line.encode(), digest_size=32).hexdigest()


def walk(connection: sqlite3.Connection, *, after: int, head: str) -> tuple[list[Row], str | None]:
    """Return the rows after `after` that follow from `head`, and what is wrong with the next."""
    good: list[Row] = []
    try:
        rows = connection.execute(
            f"SELECT {COLUMNS} FROM events WHERE seq > ? ORDER BY seq",  # noqa: S608
            (after,),
        )
        for row in rows:
            expected = after + len(good) + 1
            if row[0] != expected:
                return good, f"event {expected} is missing"
            if link(head, *row[:5]) != row[5]:
                return good, f"event {expected} does not match its digest"
            good.append(row)
            head = row[5]
    except UNREADABLE as error:
        return good, f"event {after + len(good) + 1} cannot be read ({error})"
    return good, None
