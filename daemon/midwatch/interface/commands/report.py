"""midwatch report: write night.json and report.html again from the journal."""

from __future__ import annotations

import argparse

from midwatch.interface.console import inform, say
from midwatch.journal.store import digest_of_events
from midwatch.learning import PROPOSAL_NAME
from midwatch.reports import known_reach, to_json, write_outputs
from midwatch.runtime.folder import find_night


def execute(args: argparse.Namespace) -> int:
    """Rebuild the files of one night and print where the report lies."""
    night = find_night(args.out, args.night)
    context = night.surroundings(args.orders).context()
    # Only the rehearsal itself knew what went wrong.
    reach = known_reach(night.folder / "night.json", digest_of_events(night.events))
    summary = write_outputs(
        night.folder, night.events, context, history=night.history, measure=lambda *_: reach
    )
    proposal = args.out / PROPOSAL_NAME
    if proposal.exists():
        inform(f"frames saw less sky than the site file says; see {proposal}")
    broken = [promise for promise in summary.promises if promise.ok is False]
    for promise in broken:
        inform(f"promise {promise.number} was broken: {promise.text}: {promise.detail}")
    if args.json:
        say(to_json(summary).rstrip("\n"))
    else:
        say(str(night.folder / "report.html"))
    return 0
