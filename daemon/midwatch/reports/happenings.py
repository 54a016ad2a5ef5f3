"""The sections of the report on what happened and what is proven, as plain values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from midwatch.journal.facts import DecisionMade, LimitHeld, LookoutChanged, Notice
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.journal.store import Event, facts_of
from midwatch.reports.report_words import LocalTime, counted, duration
from midwatch.reports.summary_models import NightSummary
from midwatch.reports.tables import Cell, Content, Table, table

__all__ = [
    "DecisionsView",
    "FaultsView",
    "FilesView",
    "PromiseView",
    "decisions_section",
    "faults_section",
    "files_section",
    "folded_remedies",
    "promises_section",
]

# A duty decided more often than this is routine, and its decisions are left to the journal.
_ROUTINE = 10
_DECISIONS = 60


@dataclass(frozen=True)
class FaultsView:
    """Faults with their remedies; lookouts, limits and notices."""

    faults: Table | None
    conditions: Table | None


@dataclass(frozen=True)
class DecisionsView:
    """The decisions that were not routine, with what was ruled out."""

    left_out: int
    count: str
    decisions: Table


@dataclass(frozen=True)
class PromiseView:
    """A promise with its verdict."""

    verdict: str
    sign: str
    number: int
    text: str
    detail: str


@dataclass(frozen=True)
class FilesView:
    """The files of the night with their digests."""

    count: str
    size: str
    files: Table


def faults_section(
    summary: NightSummary, events: Sequence[Event], record: NightRecord, times: LocalTime
) -> FaultsView:
    """Return faults with their remedies, lookouts, limits and notices."""
    lost = {fault.fault_id: fault.lost_s for fault in summary.faults}
    rows = [_fault(fault, lost[fault_id], times) for fault_id, fault in record.faults.items()]
    heads = ("Began", "Ended", "Device", "What", "Remedies", "#Lost")
    conditions = [
        (times.moment(event.at_utc_s), event.fact.kind.replace("_", " "), message)
        for event in events
        if (message := _condition(event)) is not None
    ]
    return FaultsView(
        table("Faults", heads, rows) if rows else None,
        table("Conditions, limits and notices", ("Time", "Kind", "What"), conditions)
        if conditions
        else None,
    )


def _condition(event: Event) -> str | None:
    fact = event.fact
    if isinstance(fact, LookoutChanged):
        return f"{fact.lookout} {fact.status}: {fact.message}"
    if isinstance(fact, LimitHeld):
        return f"{fact.device}: {fact.message}"
    return fact.message if isinstance(fact, Notice) else None


def _fault(fault: FaultRecord, lost_s: int, times: LocalTime) -> tuple[Content, ...]:
    ended = Cell("open")
    if fault.ended_at_utc_s is not None and fault.ended is not None:
        ended = Cell(fault.ended.how, times.moment(fault.ended_at_utc_s))
    return (
        times.moment(fault.began_at_utc_s),
        ended,
        fault.began.device,
        f"{fault.began.fault}: {fault.began.message}",
        "; ".join(folded_remedies(fault, reasons=True)) or "none tried",
        duration(lost_s),
    )


def folded_remedies(fault: FaultRecord, *, reasons: bool = False) -> list[str]:
    """Return what was tried, alike attempts in one: ``reconnect x 421 (failed)``.

    Args:
        fault: with its attempts.
        reasons: add why the last of these attempts came out as it did.
    """
    counts: Counter[tuple[str, str]] = Counter()
    last: dict[tuple[str, str], str] = {}
    for _, tried in fault.remedies:
        counts[tried.remedy, tried.outcome] += 1
        last[tried.remedy, tried.outcome] = tried.reason or ""
    folded = []
    for (remedy, outcome), count in counts.items():
        often = f" x {count}" if count > 1 else ""
        reason = last[remedy, outcome] if reasons else ""
        folded.append(f"{remedy.replace('_', ' ')}{often} ({outcome}{reason and ': ' + reason})")
    return folded


def decisions_section(events: Sequence[Event], times: LocalTime) -> DecisionsView:
    """Return the decisions that were not routine, with what was ruled out."""
    decisions = facts_of(events, DecisionMade)
    often = Counter(decision.duty for _, decision in decisions)
    rare = [(at, made) for at, made in decisions if often[made.duty] <= _ROUTINE]
    rows = [
        (
            times.moment(at),
            made.duty,
            made.reason,
            "; ".join(f"{option}: {why}" for option, why in made.ruled_out),
        )
        for at, made in rare[:_DECISIONS]
    ]
    return DecisionsView(
        left_out=len(decisions) - len(rows),
        count=counted(len(rows), "decision"),
        decisions=table("Decisions", ("Time", "Duty", "Why", "Ruled out"), rows),
    )


def promises_section(summary: NightSummary) -> tuple[PromiseView, ...]:
    """Return each promise with its verdict."""
    signs = {True: ("yes", "✓ kept"), False: ("no", "✕ broken"), None: ("open", "○ not judged")}
    return tuple(
        PromiseView(*signs[promise.ok], promise.number, promise.text, promise.detail)
        for promise in summary.promises
    )


def files_section(record: NightRecord, digests: Iterable[tuple[str, str]]) -> FilesView:
    """Return the files of the night with their digests."""
    rows = [(Cell(name, kind="code"), Cell(sha, kind="code")) for name, sha in digests]
    size = sum(frame.filed.bytes for frame in record.frames.values() if frame.filed)
    return FilesView(
        counted(len(rows), "file"),
        f"{size / 1e6:.1f}",
        table("Files and SHA-256", ("File", "SHA-256"), rows),
    )
