"""The guided night at full length and with several seeds: ``python tests/benchmarks/...``."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from midwatch.journal.store import Event
from midwatch.journal.store.journal import digest_of
from midwatch.orders.reading import load_night
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from support.guided_night import CONFIGS, GuidedNight, guided_night


def row(name: str, night: GuidedNight, took_s: float) -> None:
    graded = [fact for fact in night.facts("frame_graded") if fact.grade == "accepted"]
    rms = [fact.guide_rms_arcsec for fact in graded if fact.guide_rms_arcsec is not None]
    (target,) = night.outcome.summary.targets
    frames = f"{target.accepted}/{target.wanted}"
    print(
        f"{name:<22} {frames:>7} {max(fact.elongation for fact in graded):11.3f}"
        f" {sum(rms) / len(rms):9.2f} {len(night.facts('dithered')):8}"
        f" {len(night.facts('flipped')):6} {len(night.facts('fault_began')):7}"
        f" {'yes' if night.outcome.promises_kept else 'NO':>9} {took_s:6.0f}"
    )


def main() -> None:
    """Print a table: seeds of the suite's night, the shipped evening, and whether it repeats."""
    head = ("frames", "elongation", "mean rms", "dithers", "flips", "faults", "promises", "cpu s")
    print(f"{'night':<22}", *head)
    digests = []
    for name, seed in [("suite, seed 11", 11), ("the same again", 11)] + [
        (f"suite, seed {seed}", seed) for seed in range(21, 26)
    ]:
        with TemporaryDirectory() as folder:
            began_s = time.process_time()
            night = guided_night(Path(folder), seed)
            row(name, night, time.process_time() - began_s)
            digests.append(digest_of(Path(folder) / "night" / "journal.sqlite", "2027-03-10"))
            seen = f"    stars lost and found {night.seen.count('stars_found')} times"
            print(f"{seen}, calibrations {night.seen.count('calibrated')}")
    print(f"same seed, same journal: {digests[0] == digests[1]}; others differ:"
          f" {len(set(digests)) == len(digests) - 1}")  # fmt: skip
    with TemporaryDirectory() as folder:
        events: list[Event] = []
        options = RehearsalOptions(
            seed=None, sky_mode="pixels", data_folder=Path(folder), evening=None
        )
        began_s = time.process_time()
        orders = load_night(CONFIGS / "orders" / "guided-evening.yaml")
        outcome = rehearse(orders, options, events.append)
        row("guided-evening.yaml", GuidedNight(outcome, events, (), ()),
            time.process_time() - began_s)  # fmt: skip


if __name__ == "__main__":
    main()
