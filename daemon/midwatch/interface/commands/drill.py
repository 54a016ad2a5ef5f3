"""midwatch drill: many nights under faults drawn from a seed, each held against every promise."""

from __future__ import annotations

import argparse
import os
import tempfile
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from midwatch.drilling import (
    Briefing,
    Crew,
    Drill,
    Drilled,
    DrillFacts,
    DrillSummary,
    Replay,
    draw_trial,
    sum_up,
)
from midwatch.exit_codes import BROKEN_PROMISE, DONE
from midwatch.interface.console import inform, say
from midwatch.interface.progress import Progress, listing
from midwatch.planning import plan_night, require_a_target
from midwatch.runtime.files import evening_of, faults_of, load_orders, require_plugins

# Processor time that a night may take before it counts as hanging: some ten times the usual.
_LIMIT_S = 60.0
# Where there is one, a disk in memory spares the real one.
_IN_MEMORY = Path("/dev/shm")  # noqa: S108
_FILE = "drill.json"


def execute(args: argparse.Namespace) -> int:
    """Run a drill and say what it came to."""
    night = load_orders(args.orders)
    evening = evening_of(night, args.evening)
    plan = plan_night(night, evening)
    require_a_target(night, plan)
    require_plugins(night)
    given = faults_of(night, evening, args)
    seed = night.orders.seed if args.seed is None else args.seed
    trials = [
        draw_trial(seed, number, night, plan, args.most, given)
        for number in range(1, args.nights + 1)
    ]
    undisturbed = replace(draw_trial(seed, 0, night, plan, 0), number=0)
    jobs = args.jobs or os.cpu_count() or 1
    inform(f"drill of {evening}, {night.site.name}, {night.rig.name}: {jobs} nights at a time")
    with tempfile.TemporaryDirectory(prefix="midwatch-drill-", dir=_scratch()) as folder:
        briefing = Briefing(args.orders, evening, Path(folder), _LIMIT_S)
        with Crew(briefing, jobs) as crew:
            drilled = Drill(crew, Progress(len(trials))).run(undisturbed, trials)
    # A night's evening is written where neither the orders nor the reader would know it.
    evening_shown = None if night.orders.evening == evening else evening
    replay = Replay(str(args.orders), evening_shown, ZoneInfo(night.site.timezone))
    facts = DrillFacts(str(args.orders), evening, seed, args.most)
    return _conclude(drilled, replay, facts, args)


def _scratch() -> Path | None:
    usable = _IN_MEMORY.is_dir() and os.access(_IN_MEMORY, os.W_OK)
    return _IN_MEMORY if usable else None


def _conclude(drilled: Drilled, replay: Replay, facts: DrillFacts, args: argparse.Namespace) -> int:
    summary = sum_up(drilled.results, drilled.undisturbed, drilled.shrunk, replay, facts)
    text = _json(summary)
    if args.out is not None:
        args.out.mkdir(parents=True, exist_ok=True)
        (args.out / _FILE).write_text(text + "\n", encoding="utf-8")
    if args.json:
        say(text)
    else:
        say(*listing(summary))
    return BROKEN_PROMISE if summary.broken or summary.undisturbed.broken else DONE


def _json(summary: DrillSummary) -> str:
    return summary.model_dump_json(by_alias=True, indent=1)
