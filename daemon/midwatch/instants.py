"""Instants inside texts: kept as UTC, shown in the time of the site.

A reason or a message that names a time holds it as ISO 8601 in UTC, such as
``2027-03-10T22:41:05Z``: in the journal, on the bus and in every file. Whoever shows a text to a
person puts it through `in_zone` first. Nothing else writes a time of day into a text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import TypeVar

__all__ = ["all_in_zone", "in_zone", "instant"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_INSTANT = re.compile(r"\b\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d+)?Z")
# Beyond this no date is meant, but "not in sight".
_NEVER_S = 4e9

View = TypeVar("View")


def instant(at_utc_s: float) -> str:
    """Return an instant as texts hold it, to the second; "never" where it is none of this time.

    Args:
        at_utc_s: POSIX seconds UTC.
    """
    if not 0 <= at_utc_s < _NEVER_S:
        return "never"
    at = _EPOCH + timedelta(seconds=int(at_utc_s))
    return at.isoformat().replace("+00:00", "Z")


def in_zone(text: str, zone: tzinfo) -> str:
    """Return a text with each instant in it as ``HH:MM`` in a zone.

    A text that is an instant and nothing else is meant for machines, and stays.
    """
    if "Z" not in text or _INSTANT.fullmatch(text):
        return text
    return _INSTANT.sub(lambda found: _clock(found.group(), zone), text)


def all_in_zone(view: View, zone: tzinfo) -> View:
    """Return plain values, such as those of a page, with every text in them in a zone.

    Goes through tuples, lists and dataclasses; what holds no instant is returned as it is.
    """
    made: object = view
    if isinstance(view, str):
        made = in_zone(view, zone)
    elif isinstance(view, tuple | list):
        parts = [all_in_zone(part, zone) for part in view]
        if _differ(parts, view):
            made = type(view)(parts)
    elif is_dataclass(view) and not isinstance(view, type):
        before = {one.name: getattr(view, one.name) for one in fields(view) if one.init}
        after = {name: all_in_zone(value, zone) for name, value in before.items()}
        if _differ(after.values(), before.values()):
            made = replace(view, **after)
    return made  # type: ignore[return-value]


def _differ(after: Iterable[object], before: Iterable[object]) -> bool:
    return any(one is not other for one, other in zip(after, before, strict=True))


def _clock(text: str, zone: tzinfo) -> str:
    try:
        return datetime.fromisoformat(text).astimezone(zone).strftime("%H:%M")
    except ValueError:  # no date, though it looks like one
        return text
