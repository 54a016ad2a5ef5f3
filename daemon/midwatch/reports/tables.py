"""Tables as plain values, for the templates of report and page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from midwatch.reports.report_words import Moment

__all__ = ["Cell", "Content", "Head", "Table", "table"]

# A table with more columns keeps a width of its own on a phone, and is scrolled.
_NARROW = 5


@dataclass(frozen=True)
class Head:
    """The head of a column; numbers are aligned at the right."""

    text: str
    numeric: bool


@dataclass(frozen=True)
class Cell:
    """One cell: a sign, a moment and a text, each where there is one.

    Attributes:
        kind: how the text is set: plain, as a name that a machine reads, or so that it is noticed.
        numeric: as the head of the column says.
    """

    text: str = ""
    moment: Moment | None = None
    sign: str = ""
    kind: Literal["plain", "code", "strong"] = "plain"
    numeric: bool = False


Content = str | Moment | Cell


@dataclass(frozen=True)
class Table:
    """A table with its caption."""

    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    wide: bool


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[Content]]) -> Table:
    """Return a table; heads that begin with ``#`` are those of columns of numbers.

    Raises:
        ValueError: A row is longer or shorter than the heads.
    """
    made = tuple(Head(text.lstrip("#"), text.startswith("#")) for text in heads)
    cells = tuple(
        tuple(_cell(content, head.numeric) for content, head in zip(row, made, strict=True))
        for row in rows
    )
    return Table(caption, made, cells, len(made) > _NARROW)


def _cell(content: Content, numeric: bool) -> Cell:
    if isinstance(content, str):
        return Cell(content, numeric=numeric)
    if isinstance(content, Moment):
        return Cell(moment=content, numeric=numeric)
    return replace(content, numeric=numeric)
