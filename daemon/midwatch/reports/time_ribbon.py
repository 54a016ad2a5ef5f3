"""Below the targets: rows of signs for what happened, and the ribbon of where time went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from midwatch.journal.facts import Cause, FocusRun, NightBegan, OperatorSpoke
from midwatch.journal.record import LABELS, Ledger, NightRecord, Span
from midwatch.journal.store import Event, facts_of
from midwatch.reports.marks import Label, Mark, Sign, TimeAxis, sign
from midwatch.reports.report_words import duration

__all__ = [
    "GROUPS",
    "RIBBON_H",
    "ROW_H",
    "Lane",
    "Ribbon",
    "Row",
    "Use",
    "group_of",
    "ribbon",
    "row",
    "rows",
]

ROW_H, RIBBON_H = 24, 46

Use = Literal["light", "work", "lost", "idle"]

GROUPS: dict[Use, tuple[Cause, ...]] = {
    "light": ("open_shutter",),
    "lost": ("unsafe", "clouds", "fault", "paused", "daemon_down"),
    "idle": (
        "waiting_for_dark",
        "waiting_for_target",
        "waiting_for_meridian",
        "no_target_left",
        "finished",
        "closed_by_hand",
        "not_started",
    ),
}  # everything else is work around the frames

# Height of each kind of use, of the ribbon's: it distinguishes them where the fills do not.
_TALL: dict[Use, float] = {"light": 1.0, "work": 0.62, "lost": 1.0, "idle": 0.3}
# Signs in a row that are named next to it; with more, the names would cover each other.
_NAMED = 4


@dataclass(frozen=True)
class _Moment:
    """A sign: what it says on hover, the name next to it, and its shape where it differs."""

    at_utc_s: float
    hint: str
    name: str = ""
    mark: Mark | None = None


@dataclass(frozen=True)
class Row:
    """What happened of one kind."""

    name: str
    mark: Mark
    moments: Sequence[_Moment]


@dataclass(frozen=True)
class Lane:
    """One row as drawn: its name, and signs, some with a name of their own."""

    name: Label
    signs: tuple[tuple[Sign, Label | None], ...]


@dataclass(frozen=True)
class Block:
    """One span of the ribbon; the label lies inside, where it fits."""

    use: Use
    x: float
    y: float
    width: float
    height: float
    hint: str
    label: Label | None


@dataclass(frozen=True)
class Ribbon:
    """Where time went, from left to right."""

    name: Label
    blocks: tuple[Block, ...]


def group_of(cause: Cause) -> Use:
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


def row(content: Row, axis: TimeAxis, top: float) -> Lane:
    """Return one row as drawn; `top` is its upper edge."""
    middle = top + 0.5 * ROW_H
    named = len(content.moments) <= _NAMED
    signs = []
    for moment in content.moments:
        hint = f"{axis.times.to_the_second(moment.at_utc_s)} {moment.hint}"
        x = axis(moment.at_utc_s)
        name = Label(x + 11, middle + 4, moment.name) if moment.name and named else None
        signs.append((sign(moment.mark or content.mark, x, middle, hint, 5.0), name))
    return Lane(Label(axis.left - 8, middle + 4, content.name, "end"), tuple(signs))


def ribbon(ledger: Ledger, axis: TimeAxis, top: float) -> Ribbon:
    """Return where time went; `top` is the upper edge of the ribbon."""
    name = Label(axis.left - 8, top + 0.5 * RIBBON_H + 4, "time", "end")
    return Ribbon(name, tuple(_block(span, axis, top) for span in ledger.spans))


def _block(span: Span, axis: TimeAxis, top: float) -> Block:
    use = group_of(span.cause)
    height = _TALL[use] * RIBBON_H
    x, width = axis(span.start_utc_s), axis(span.end_utc_s) - axis(span.start_utc_s)
    name = LABELS[span.cause]
    detail = f", {span.detail}" if span.detail else ""
    fits = use != "light" and width >= 6.6 * len(name)
    return Block(
        use=use,
        x=x,
        y=top + RIBBON_H - height,
        width=max(0.3, width),
        height=height,
        hint=(
            f"{axis.times.to_the_second(span.start_utc_s)} {name}{detail}: "
            f"{duration(span.duration_s)}"
        ),
        label=Label(x + 0.5 * width, top + 0.5 * RIBBON_H + 4, name, "middle") if fits else None,
    )
