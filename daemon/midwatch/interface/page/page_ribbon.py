"""Drawings of the page: where the time since dusk went, and how much of something is done.

No style stands in the markup: the page's policy forbids it. What differs in colour
differs in height too.
"""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from midwatch.interface.page.glance import Glance
from midwatch.journal.record import LABELS
from midwatch.reports import duration, group_of

_WIDTH = 600
_HEIGHT = 40
# Height of each kind of use, of the ribbon's.
_TALL = {"light": 1.0, "work": 0.55, "lost": 0.85, "idle": 0.2}


def bar(share: float, kind: str) -> str:
    """Return a bar that is full to a share of 0 to 1."""
    width = round(100 * min(1.0, max(0.0, share)))
    return (
        '<svg class="bar" viewBox="0 0 100 6" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect class="ground" width="100" height="6"/>'
        f'<rect class="{kind}" width="{width}" height="6"/></svg>'
    )


def ribbon(night: Glance) -> str:
    """Return the night from sunset to sunrise: darkness, where its time went, and now."""
    hours = night.hours
    start_s = hours.dusk_utc_s if hours.sunset_utc_s is None else hours.sunset_utc_s
    end_s = hours.dawn_utc_s if hours.sunrise_utc_s is None else hours.sunrise_utc_s
    if end_s <= start_s:
        return ""

    def x(utc_s: float) -> int:
        return round(_WIDTH * min(1.0, max(0.0, (utc_s - start_s) / (end_s - start_s))))

    dusk, dawn, now = x(hours.dusk_utc_s), x(hours.dawn_utc_s), x(night.at_utc_s)
    parts = [
        f'<rect class="twilight" width="{_WIDTH}" height="{_HEIGHT}"/>',
        f'<rect class="ground" x="{dusk}" width="{dawn - dusk}" height="{_HEIGHT}"/>',
        *_uses(night, x),
        f'<path class="present" d="M{now} 0V{_HEIGHT}"/>',
    ]
    return (
        f'<svg class="ribbon" viewBox="0 0 {_WIDTH} {_HEIGHT}" preserveAspectRatio="none" '
        f'role="img" aria-label="{escape(_spoken(night))}">{"".join(parts)}</svg>'
        '<p class="key">Tallest: shutter open. Half: work around it. Outlined: lost to weather, '
        "faults or a pause. Low: waiting. The line is now.</p>"
    )


def _uses(night: Glance, x: Callable[[float], int]) -> list[str]:
    """Runs of one kind of use; what is narrower than a column goes to the longest in it."""
    if night.ledger is None:
        return []
    columns: dict[int, dict[str, float]] = {}
    for span in night.ledger.spans:
        group = group_of(span.cause)
        first, last = x(span.start_utc_s), x(span.end_utc_s)
        share = span.duration_s / max(1, last - first + 1)
        for column in range(first, last + 1):
            uses = columns.setdefault(column, {})
            uses[group] = uses.get(group, 0.0) + share
    runs: list[tuple[int, int, str]] = []
    for column in sorted(columns):
        uses = columns[column]
        group = max(uses, key=lambda name: uses[name])
        if runs and runs[-1][2] == group and runs[-1][1] == column:
            runs[-1] = (runs[-1][0], column + 1, group)
        else:
            runs.append((column, column + 1, group))
    return [_run(*run) for run in runs]


def _run(first: int, end: int, group: str) -> str:
    tall = round(_HEIGHT * _TALL[group])
    return (
        f'<rect class="{group}" x="{first}" y="{_HEIGHT - tall}" width="{end - first}" '
        f'height="{tall}"/>'
    )


def _spoken(night: Glance) -> str:
    if night.ledger is None or not night.ledger.seconds:
        return "The night from sunset to sunrise; it is not dark yet"
    spent = sorted(night.ledger.seconds.items(), key=lambda item: -item[1])
    told = ", ".join(f"{LABELS[cause]} {duration(s)}" for cause, s in spent[:5])
    return f"Where the time since dusk went: {told}"
