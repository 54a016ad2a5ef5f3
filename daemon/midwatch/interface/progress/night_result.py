"""What a night came to, in words, at its end."""

from __future__ import annotations

import argparse
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from midwatch.exit_codes import BROKEN_PROMISE, DONE
from midwatch.instants import all_in_zone
from midwatch.interface.console import heading, hours_text, say, table
from midwatch.journal.facts import Cause
from midwatch.journal.record import LABELS
from midwatch.reports import NightSummary, TargetSummary
from midwatch.runtime.night import NightOutcome

# Causes that gave something: everything else of the dark hours was lost, or spent on the way.
_GAINED: tuple[Cause, ...] = ("open_shutter",)

# More than these are looked at in the report.
_MOST_FAULTS = 10


def conclude(outcome: NightOutcome, args: argparse.Namespace) -> int:
    """Print what the night came to, or its JSON, and return the exit code."""
    if args.json:
        say(outcome.summary_path.read_text(encoding="utf-8").rstrip("\n"))
    else:
        say(*epilogue(outcome))
    broken = any(promise.ok is False for promise in outcome.summary.promises)
    return BROKEN_PROMISE if broken else DONE


def epilogue(outcome: NightOutcome) -> list[str]:
    """Return the end of a night in words."""
    summary, zone = outcome.summary, ZoneInfo(outcome.timezone)
    what = "rehearsed" if summary.rehearsal else "night"
    lines = [
        heading(f"{summary.site}, {summary.rig}: {what} {summary.evening}"),
        *table(_target_rows(target) for target in summary.targets),
        "",
        *_hours(summary),
        "",
        *_reach(summary),
        *_missing(summary),
        *_promises(summary),
        *_faults(summary, zone),
    ]
    files = [
        ["report", str(outcome.report_path)],
        ["frames", str(outcome.folder / "frames")],
        ["for programs", str(outcome.summary_path)],
    ]
    return [*all_in_zone(lines, zone), "", *table(files)]


def _target_rows(target: TargetSummary) -> list[str]:
    counted = sum(order.counted for order in target.orders)
    frames = f"{counted} of {target.wanted} frames"
    grades = (
        ("rejected", target.rejected),
        ("doubtful", target.doubtful),
        ("never read out", target.lost),
    )
    taken = target.accepted + sum(count for _, count in grades)
    note = f"not tonight: {target.note}" if target.note else ""
    if taken:
        note = ", ".join(f"{count} {word}" for word, count in grades if count) or "none rejected"
        if target.accepted > counted:
            note = f"as {target.accepted}, some of them shorter; {note}"
    return [target.name, hours_text(target.integration_s), frames, note]


def _hours(summary: NightSummary) -> list[str]:
    dark_s = sum(summary.ledger.values())
    opened_s = sum(summary.ledger.get(cause, 0) for cause in _GAINED)
    used = summary.yield_
    share = "" if used.fraction is None else f", {used.fraction:.0%}"
    others = sorted(
        ((seconds, cause) for cause, seconds in summary.ledger.items() if cause not in _GAINED),
        reverse=True,
    )
    labels: dict[str, str] = {str(cause): label for cause, label in LABELS.items()}
    lines = [
        f"  shutter open for {hours_text(opened_s)} of {hours_text(used.usable_s)} usable{share}"
    ]
    if others:
        lines.append(f"  the rest of {hours_text(dark_s)} dark went to")
        lines += table([[labels[cause], hours_text(s)] for s, cause in others], indent="    ")
    return lines


def _reach(summary: NightSummary) -> list[str]:
    used = summary.yield_
    if used.had_s is None or not used.bound_s:
        return []
    share = "" if used.kept is None else f", {used.kept:.0%}"
    bound = f"{hours_text(used.bound_s)} that perfect knowledge could have had{share}"
    return [f"  {hours_text(used.had_s)} kept of the {bound}"]


def _missing(summary: NightSummary) -> list[str]:
    if not summary.calibration_missing:
        return []
    rows = [[missing.words, missing.reason] for missing in summary.calibration_missing]
    return ["  calibration frames that were not taken", *table(rows, indent="    ")]


def _promises(summary: NightSummary) -> list[str]:
    judged = [promise for promise in summary.promises if promise.ok is not None]
    kept = sum(promise.ok is True for promise in judged)
    lines = [f"  promises kept: {kept} of {len(judged)}"]
    lines += [
        f"  BROKEN {promise.number}: {promise.text}: {promise.detail}"
        for promise in judged
        if promise.ok is False
    ]
    return lines


def _faults(summary: NightSummary, zone: tzinfo) -> list[str]:
    if not summary.faults:
        return []
    rows = [
        [
            f"{fault.device} {fault.kind}".replace("_", " "),
            f"from {_clock(fault.began, zone)}",
            f"to {_clock(fault.ended, zone)}" if fault.ended else "still open",
            f"cost {hours_text(fault.lost_s)}",
            fault.message,
        ]
        for fault in summary.faults[:_MOST_FAULTS]
    ]
    more = len(summary.faults) - len(rows)
    rest = [f"    and {more} more: see the report"] if more else []
    return ["  faults", *table(rows, indent="    "), *rest]


def _clock(utc: str, zone: tzinfo) -> str:
    return datetime.fromisoformat(utc).astimezone(zone).strftime("%H:%M")
