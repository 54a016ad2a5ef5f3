"""Times, lengths and markup for the report a person reads."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from zoneinfo import ZoneInfo

__all__ = ["LocalTime", "duration", "joined", "number", "table"]


@dataclass(frozen=True)
class LocalTime:
    """Shows moments in the time of the site, with UTC as the second reading."""

    timezone: str

    def clock(self, utc_s: float) -> str:
        """Return the local time of day, ``HH:MM``."""
        return self._local(utc_s).strftime("%H:%M")

    def both(self, utc_s: float) -> str:
        """Return ``HH:MM (HH:MM UTC)``, for titles that appear on hover."""
        return f"{self.clock(utc_s)} ({datetime.fromtimestamp(utc_s, UTC):%H:%M:%S} UTC)"

    def markup(self, utc_s: float) -> str:
        """Return a time element: local to read, UTC on hover."""
        utc = datetime.fromtimestamp(utc_s, UTC)
        return (
            f'<time datetime="{utc:%Y-%m-%dT%H:%M:%SZ}" title="{utc:%Y-%m-%d %H:%M:%S} UTC">'
            f"{self.clock(utc_s)}</time>"
        )

    def hours(self, start_utc_s: float, end_utc_s: float) -> list[tuple[float, str, str]]:
        """Return the full local hours of a span: moment, local and UTC reading."""
        offset = self._local(start_utc_s).utcoffset()
        shift_s = 0.0 if offset is None else offset.total_seconds() % 3600.0
        first = (start_utc_s + shift_s) // 3600.0 * 3600.0 - shift_s
        marks = [first + 3600.0 * step for step in range(int((end_utc_s - first) // 3600.0) + 1)]
        return [
            (mark, self.clock(mark), f"{datetime.fromtimestamp(mark, UTC):%H:%M}")
            for mark in marks
            if mark >= start_utc_s
        ]

    def _local(self, utc_s: float) -> datetime:
        return datetime.fromtimestamp(utc_s, ZoneInfo(self.timezone))


def duration(seconds: float) -> str:
    """Return a length of time in words: ``45 s``, ``12 min``, ``3 h 05 min``."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def joined(parts: Sequence[str]) -> str:
    """Join with commas and a last "and"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def number(value: float | None, decimals: int = 0, unit: str = "") -> str:
    """Return a number with its unit, or a dash where there is none."""
    if value is None:
        return "\N{EN DASH}"
    return f"{value:.{decimals}f}{unit and ' ' + unit}"


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table in a box that scrolls by itself; cells are markup, numbers right-aligned.

    Heads that begin with ``#`` mark columns of numbers.
    """
    numeric = [head.startswith("#") for head in heads]
    classes = [' class="n"' if right else "" for right in numeric]
    long = ' class="long"' if len(heads) > 5 else ""
    head = "".join(
        f'<th scope="col"{cls}>{escape(text.lstrip("#"))}</th>'
        for text, cls in zip(heads, classes, strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(f"<td{cls}>{cell}</td>" for cell, cls in zip(row, classes, strict=True))
        + "</tr>"
        for row in rows
    )
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}">'
        f"<table{long}><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )
