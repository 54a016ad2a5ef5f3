"""Below the targets: rows of marks for what happened, and the ribbon of where time went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from midwatch.journal.facts import Cause, FocusRun, NightBegan, OperatorSpoke
from midwatch.journal.record import LABELS, Ledger, NightRecord, Span
from midwatch.journal.store import Event, facts_of
from midwatch.reports.charts import Mark, TimeAxis, marker, text
from midwatch.reports.report_words import duration

__all__ = ["GROUPS", "RIBBON_H", "ROW_H", "Row", "group_of", "key", "ribbon", "row", "rows"]

ROW_H, RIBBON_H = 24, 46

GROUPS: dict[str, tuple[Cause, ...]] = {
    "light": ("open_shutter",),
    "lost": ("unsafe", "clouds", "fault", "paused", "daemon_down"),
    "idle": (
        "waiting_for_target",
        "waiting_for_meridian",
        "no_target_left",
        "finished",
        "not_started",
    ),
}  # everything else is work around the frames

# Marks in a row that are named beside it; with more, the names would cover each other.
_NAMED = 4


@dataclass(frozen=True)
class _Moment:
    """A mark: what it tells on hover, the name beside it, and its shape where it differs."""

    at_utc_s: float
    told: str
    name: str = ""
    mark: Mark | None = None


@dataclass(frozen=True)
class Row:
    """One row of marks."""

    name: str
    mark: Mark
    moments: Sequence[_Moment]


def group_of(cause: Cause) -> str:
    """Return the kind of use a cause belongs to: light, work, lost or idle."""
    return next((group for group, causes in GROUPS.items() if cause in causes), "work")


def rows(events: Sequence[Event], record: NightRecord) -> list[Row]:
    """Return the rows that have something to show."""
    focus = [
        _Moment(at, f"focus run, {run.trigger}: {run.reason}", "", None if run.ok else "cross")
        for at, run in facts_of(events, FocusRun)
    ]
    faults = [
        _Moment(f.began_at_utc_s, f"{f.began.device}: {f.began.message}", f.began.device)
        for f in record.faults.values()
    ]
    restarts = [
        _Moment(at, "a new daemon took the night over", "daemon restarted")
        for at, began in facts_of(events, NightBegan)
        if began.resumed
    ]
    spoken = [
        _Moment(at, f"{said.who}: {said.command} {said.why or ''}".strip(), said.command)
        for at, said in facts_of(events, OperatorSpoke)
    ]
    found = (
        Row("focus", "triangle", focus),
        Row("faults", "cross", faults),
        Row("restarts", "diamond", restarts),
        Row("by hand", "dot", spoken),
    )
    return [one for one in found if one.moments]


def row(content: Row, axis: TimeAxis, top: float) -> str:
    """Draw one row; `top` is its upper edge."""
    middle = top + 0.5 * ROW_H
    parts = [text(axis.left - 8, middle + 4, content.name, "lane", "end")]
    for moment in content.moments:
        told = f"{axis.times.both(moment.at_utc_s)} {moment.told}"
        x = axis(moment.at_utc_s)
        parts.append(marker(moment.mark or content.mark, x, middle, told, 5.0))
        if moment.name and len(content.moments) <= _NAMED:
            parts.append(text(x + 11, middle + 4, moment.name, "small"))
    return "".join(parts)


def ribbon(ledger: Ledger, axis: TimeAxis, top: float) -> str:
    """Draw where time went; `top` is its upper edge."""
    patterns = (
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect class="p-lost" width="7" height="7"/>'
        '<rect class="p-line" width="2.6" height="7"/></pattern>'
        '<pattern id="dots" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<circle class="p-line" cx="3" cy="3" r="1.1"/></pattern></defs>'
    )
    label = text(axis.left - 8, top + 0.5 * RIBBON_H + 4, "time", "lane", "end")
    return patterns + label + "".join(_block(span, axis, top) for span in ledger.spans)


def _block(span: Span, axis: TimeAxis, top: float) -> str:
    """One span; its height tells the kind of use beside its fill."""
    group = group_of(span.cause)
    share = {"light": 1.0, "work": 0.62, "lost": 1.0, "idle": 0.3}[group]
    height = share * RIBBON_H
    x, width = axis(span.start_utc_s), axis(span.end_utc_s) - axis(span.start_utc_s)
    detail = f", {span.detail}" if span.detail else ""
    told = (
        f"{axis.times.both(span.start_utc_s)} {LABELS[span.cause]}{detail}: "
        f"{duration(span.duration_s)}"
    )
    block = (
        f'<rect class="g-{group}" x="{x:.1f}" y="{top + RIBBON_H - height:.1f}" '
        f'width="{max(0.3, width):.1f}" height="{height:.1f}"><title>{escape(told)}</title></rect>'
    )
    label = LABELS[span.cause]
    if group == "light" or width < 6.6 * len(label):
        return block
    return block + text(x + 0.5 * width, top + 0.5 * RIBBON_H + 4, label, "inside", "middle")


def key() -> str:
    """Return what fills and signs mean."""
    entries = (
        ("k-light", "shutter open"),
        ("k-work", "work around frames"),
        ("k-lost", "lost (weather, faults, pauses)"),
        ("k-idle", "idle"),
    )
    signs = (("━", "accepted frame"), ("✕", "rejected or lost"), ("◇", "doubtful"))
    items = "".join(f'<li><i class="{css}"></i>{name}</li>' for css, name in entries)
    items += "".join(f"<li><b>{sign}</b>{name}</li>" for sign, name in signs)
    return f'<ul class="key">{items}</ul>'
