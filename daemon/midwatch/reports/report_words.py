"""Times, lengths and numbers in words, for the report that a person reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

__all__ = ["LocalTime", "Moment", "counted", "duration", "joined", "number", "percent"]


@dataclass(frozen=True)
class Moment:
    """A moment as markup shows it.

    Attributes:
        clock: the site's time of day.
        exactly: the same to the second, with date and zone, on hover.
        iso: UTC for machines.
    """

    clock: str
    exactly: str
    iso: str


@dataclass(frozen=True)
class LocalTime:
    """Shows moments in the time of the site."""

    timezone: str

    def clock(self, utc_s: float) -> str:
        """Return the local time of day, ``HH:MM``."""
        return self._local(utc_s).strftime("%H:%M")

    def to_the_second(self, utc_s: float) -> str:
        """Return ``HH:MM:SS``, for titles that appear on hover."""
        return f"{self._local(utc_s):%H:%M:%S}"

    def moment(self, utc_s: float) -> Moment:
        """Return a moment in all its readings."""
        utc = datetime.fromtimestamp(utc_s, UTC)
        exactly = f"{self._local(utc_s):%Y-%m-%d %H:%M:%S %Z}"
        return Moment(self.clock(utc_s), exactly, f"{utc:%Y-%m-%dT%H:%M:%SZ}")

    def hours(self, start_utc_s: float, end_utc_s: float) -> list[tuple[float, str]]:
        """Return the full local hours of a span: moment and reading."""
        offset = self._local(start_utc_s).utcoffset()
        shift_s = 0.0 if offset is None else offset.total_seconds() % 3600.0
        first = (start_utc_s + shift_s) // 3600.0 * 3600.0 - shift_s
        marks = [first + 3600.0 * step for step in range(int((end_utc_s - first) // 3600.0) + 1)]
        return [(mark, self.clock(mark)) for mark in marks if mark >= start_utc_s]

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


def counted(n: int, noun: str) -> str:
    """Return a number of things: ``1 fault``, ``2 faults``."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


def percent(share: float | None) -> str:
    """Return a share in whole percent, or "none"."""
    return "none" if share is None else f"{share:.0%}"
