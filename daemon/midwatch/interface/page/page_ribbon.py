"""Where the time since dusk went, and how much of something is done, in coordinates.

The page's policy forbids styles in the markup, so these are pictures. What differs in colour
differs in height too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from midwatch.interface.page.page_facts import Glance
from midwatch.journal.record import LABELS
from midwatch.reports import Use as Kind
from midwatch.reports import duration, group_of

_WIDTH = 600
_HEIGHT = 40
# Height of each kind of use, of the ribbon's.
_TALL: dict[Kind, float] = {"light": 1.0, "work": 0.55, "lost": 0.85, "idle": 0.2}


@dataclass(frozen=True)
class Use:
    """A run of one kind of use, from the bottom of the ribbon up."""

    kind: Kind
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Ribbon:
    """The night from sunset to sunrise, in columns; `label` says it in words."""

    width: int
    height: int
    dusk: int
    dark: int
    now: int
    uses: tuple[Use, ...]
    label: str


def filled(share: float) -> int:
    """Return how much of a bar is full, in percent, for a share of 0 to 1."""
    return round(100 * min(1.0, max(0.0, share)))


def ribbon(night: Glance) -> Ribbon | None:
    """Return darkness, where time went, and now; None for a night without length."""
    hours = night.hours
    start_s = hours.dusk_utc_s if hours.sunset_utc_s is None else hours.sunset_utc_s
    end_s = hours.dawn_utc_s if hours.sunrise_utc_s is None else hours.sunrise_utc_s
    if end_s <= start_s:
        return None

    def x(utc_s: float) -> int:
        return round(_WIDTH * min(1.0, max(0.0, (utc_s - start_s) / (end_s - start_s))))

    dusk = x(hours.dusk_utc_s)
    return Ribbon(
        width=_WIDTH,
        height=_HEIGHT,
        dusk=dusk,
        dark=x(hours.dawn_utc_s) - dusk,
        now=x(night.at_utc_s),
        uses=_uses(night, x),
        label=_spoken(night),
    )


def _uses(night: Glance, x: Callable[[float], int]) -> tuple[Use, ...]:
    """Runs of one kind of use; what is narrower than a column goes to the longest in it."""
    if night.ledger is None:
        return ()
    columns: dict[int, dict[Kind, float]] = {}
    for span in night.ledger.spans:
        group = group_of(span.cause)
        first, last = x(span.start_utc_s), x(span.end_utc_s)
        share = span.duration_s / max(1, last - first + 1)
        for column in range(first, last + 1):
            uses = columns.setdefault(column, {})
            uses[group] = uses.get(group, 0.0) + share
    runs: list[tuple[int, int, Kind]] = []
    for column in sorted(columns):
        uses = columns[column]
        group = max(uses, key=lambda name: uses[name])
        if runs and runs[-1][2] == group and runs[-1][1] == column:
            runs[-1] = (runs[-1][0], column + 1, group)
        else:
            runs.append((column, column + 1, group))
    return tuple(_run(*run) for run in runs)


def _run(first: int, end: int, kind: Kind) -> Use:
    tall = round(_HEIGHT * _TALL[kind])
    return Use(kind, first, _HEIGHT - tall, end - first, tall)


def _spoken(night: Glance) -> str:
    if night.ledger is None or not night.ledger.seconds:
        return "The night from sunset to sunrise; it is not dark yet"
    spent = sorted(night.ledger.seconds.items(), key=lambda item: -item[1])
    uses = ", ".join(f"{LABELS[cause]} {duration(s)}" for cause, s in spent[:5])
    return f"Where the time since dusk went: {uses}"
