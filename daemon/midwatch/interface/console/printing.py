"""What commands print: results on standard output, progress and troubles on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo

BAR = "─"


def say(*lines: str) -> None:
    """Write lines of the result."""
    sys.stdout.write("".join(f"{line}\n" for line in lines))


def inform(*lines: str) -> None:
    """Write lines that are not the result."""
    sys.stderr.write("".join(f"{line}\n" for line in lines))
    sys.stderr.flush()


def say_json(content: object) -> None:
    """Write the result as JSON, keys in the order in which they were put."""
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    say(text if drawable(text) else json.dumps(content, indent=1, allow_nan=False))


def drawable(text: str) -> bool:
    """Whether standard output can show these characters."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def heading(text: str) -> str:
    """A line that parts a listing."""
    return f"{text}\n{(BAR if drawable(BAR) else '-') * len(text)}"


def table(rows: Iterable[Sequence[str]], indent: str = "  ") -> list[str]:
    """Align rows of cells in columns; rows may be of different lengths."""
    kept = [list(row) for row in rows]
    widths: list[int] = []
    for row in kept:
        for column, cell in enumerate(row[:-1]):
            if column == len(widths):
                widths.append(0)
            widths[column] = max(widths[column], len(cell))
    return [
        (
            indent
            + "  ".join(
                cell.ljust(widths[i]) if i < len(row) - 1 else cell for i, cell in enumerate(row)
            )
        ).rstrip()
        for row in kept
    ]


def hours_text(seconds: float) -> str:
    """A duration as a person says it: 6 h 05 min, 12 min, 40 s."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def local_text(utc_s: float, zone: tzinfo) -> str:
    """HH:MM at the site."""
    return datetime.fromtimestamp(round(utc_s / 60.0) * 60.0, zone).strftime("%H:%M")
