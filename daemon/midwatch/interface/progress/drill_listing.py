"""A drill in words: its progress while it runs, and what it came to."""

from __future__ import annotations

import re
import textwrap
from collections import Counter

from midwatch.clock import WallClock
from midwatch.drilling import BOUND, NOT_ENDED, DrillSummary, NightResult, TrialResult
from midwatch.interface.console import heading, hours_text, inform, table
from midwatch.journal.record import LABELS

__all__ = ["Progress", "listing"]

_WIDTH = 79
# Real seconds between two lines of progress.
_LINE_S = 5.0
# Of a night, no more costs than these are listed, and none that is less.
_MOST_COSTS = 3
_LEAST_COST_S = 60
# Broken nights that are listed one by one.
_MOST_BROKEN = 10


class Progress:
    """Reports on standard error how far a drill has come.

    Args:
        nights: how many there are.
    """

    def __init__(self, nights: int) -> None:
        self._nights = nights
        self._clock = WallClock()
        self._began_s = self._next_s = self._clock.mono()
        self._done = self._broken = 0
        self._seen: set[int] = set()

    def __call__(self, result: TrialResult) -> None:
        """Take in a night that has ended."""
        trial = result.trial
        if trial.number in self._seen:
            found = "still breaks" if result.broken else "breaks no more"
            count = _counted(len(trial.faults), "fault")
            inform(f"  looking for the cause in night {trial.number}: with {count} it {found}")
            return
        self._seen.add(trial.number)
        self._done += trial.number > 0
        self._broken += bool(result.broken)
        if result.broken:
            first = result.broken[0]
            where = f"night {trial.number}, seed {trial.seed}: {_promise(first.number)}: "
            inform(*_wrapped(where + first.detail))
        now_s = self._clock.mono()
        if now_s >= self._next_s or self._done == self._nights:
            self._next_s = now_s + _LINE_S
            done = f"  {self._done} of {self._nights} nights, {self._broken} broken"
            inform(f"{done}, {self._pace(now_s)}")

    def _pace(self, now_s: float) -> str:
        took_s = now_s - self._began_s
        pace = hours_text(took_s)
        if 0 < self._done < self._nights:
            left_s = took_s / self._done * (self._nights - self._done)
            pace += f", about {hours_text(left_s)} to go"
        return pace


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _promise(number: int) -> str:
    if number == NOT_ENDED:
        return "no end"
    return "bound" if number == BOUND else f"promise {number}"


def listing(drill: DrillSummary) -> list[str]:
    """Return what a drill came to, in lines of at most 80 columns."""
    kept = drill.kept
    first = drill.undisturbed
    rows = [
        ["without faults", _percent(first.kept), _amounts(first)],
        ["median", _percent(kept.median), ""],
        ["5 of 100 less than", _percent(kept.percentile_5), ""],
        ["mean", _percent(kept.mean), ""],
        ["least", _percent(kept.least), ""],
    ]
    title = (
        f"drill of {drill.evening}, seed {drill.seed}: {drill.nights} nights, "
        f"up to {_counted(drill.most_faults, 'fault')} each"
    )
    by_number = {night.night: night for night in drill.results}
    lines = [
        heading(title),
        "  kept of what perfect knowledge could have had",
        *table(rows, indent="    "),
        "",
        *_promises(drill),
        *_causes(drill),
    ]
    if drill.worst:
        lines += ["", "  the worst nights, and what cost more than in the night without faults"]
        for number in drill.worst:
            lines += _told(by_number[number], first)
    for one in drill.shrunk:
        lines += [
            "",
            f"  night {one.night} breaks {_promise(one.promise)} with no more than",
            *_command(one.replay),
        ]
    return lines


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{share:.1%}"


def _amounts(night: NightResult) -> str:
    return f"{hours_text(night.integration_s)} of {hours_text(night.bound_s)}"


def _promises(drill: DrillSummary) -> list[str]:
    broken = [night for night in (drill.undisturbed, *drill.results) if night.broken]
    whole = drill.nights - len(drill.broken)
    shuffled = sum(night.shuffle > 0 for night in drill.results)
    lines = [
        f"  promises kept in {whole} of {drill.nights} nights "
        f"({drill.repeated} run twice and compared, {shuffled} shuffled)"
    ]
    texts = {one.promise: one.text for night in broken for one in night.broken}
    counts = Counter(number for night in broken for number in {one.promise for one in night.broken})
    for number in sorted(counts):
        nights = _counted(counts[number], "night")
        lines += _wrapped(f"BROKEN in {nights}, {_promise(number)}: {texts[number]}")
    shrunk = {one.night for one in drill.shrunk}
    for night in broken[:_MOST_BROKEN]:
        which = f"night {night.night}" if night.night else "the night without faults"
        found = "; ".join(f"{_promise(one.promise)}: {one.detail}" for one in night.broken)
        lines += _wrapped(f"{which}, seed {night.seed}: {found}")
        # The others follow at the end, with no more faults than they need.
        lines += [] if night.night in shrunk else _command(night.replay)
    if len(broken) > _MOST_BROKEN:
        lines.append(f"    and {len(broken) - _MOST_BROKEN} more: see --json")
    return lines


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(
        textwrap.shorten(text, 4 * _WIDTH, placeholder=" ..."), _WIDTH,
        initial_indent="    ", subsequent_indent="      ",
    )  # fmt: skip


def _causes(drill: DrillSummary) -> list[str]:
    """Say which faults the nights that kept least had more often than the others."""
    known = sorted(
        (night for night in drill.results if night.kept is not None),
        key=lambda night: (night.kept or 0.0, night.night),
    )
    part = len(known) // 10
    if part < 5:
        return []
    names = Counter(
        name
        for night in known[:part]
        for name in sorted({f.partition("@")[0] for f in night.faults})
    )
    counts = ", ".join(f"{name} {count}" for name, count in names.most_common(8))
    return [
        "",
        f"  faults of the {part} nights that kept least",
        *textwrap.wrap(counts, _WIDTH, initial_indent="    ", subsequent_indent="    "),
    ]


def _told(night: NightResult, first: NightResult) -> list[str]:
    indent = " " * 6
    # A line ends between costs, not within one.
    costs = ", ".join(cost.replace(" ", "~") for cost in _costs(night, first))
    lines = textwrap.wrap(costs, _WIDTH, initial_indent=indent, subsequent_indent=indent)
    return [
        f"    night {night.night}: {_percent(night.kept)}, {_amounts(night)}",
        *(line.replace("~", " ") for line in lines),
        *_command(night.replay),
    ]


def _costs(night: NightResult, first: NightResult) -> list[str]:
    """Say what took more of a night than of the one without faults, the most first."""
    labels: dict[str, str] = {str(cause): label for cause, label in LABELS.items()}
    more_s = {
        labels[cause]: seconds - first.ledger.get(cause, 0)
        for cause, seconds in night.ledger.items()
        if cause != "open_shutter"
    }
    more_s["frames not accepted"] = round(night.refused_s - first.refused_s)
    known = sorted(more_s.items(), key=lambda cost: -cost[1])[:_MOST_COSTS]
    return [f"{label} {hours_text(s)}" for label, s in known if s >= _LEAST_COST_S]


def _command(command: str) -> list[str]:
    """Return a command that can be pasted, a fault a line."""
    # As Replay writes them, a name or a value of a fault holds no such word.
    parts = re.split(r" (?=--(?:evening|sky|fault) )", command)
    return [
        ("      " if i == 0 else "        ") + part + ("" if i == len(parts) - 1 else " \\")
        for i, part in enumerate(parts)
    ]
