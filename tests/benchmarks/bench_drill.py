"""A long drill: how fast nights pass, what they keep, and whether the bound holds.

Run by hand on a quiet machine: bench_drill.py [NIGHTS] [SEED] [ORDERS]. Exits with 1 if a promise
is broken, if a night beats its bound, or if 1000 such nights would take more than half an hour.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from midwatch.clock import WallClock
from midwatch.orders.injected import FAULT_KINDS

ROOT = Path(__file__).parent.parent.parent
LIMIT_S = 1800.0


def main(nights: int, seed: int, orders: Path) -> int:
    clock = WallClock()
    began_s = clock.mono()
    command = [sys.executable, "-m", "midwatch.interface.cli", "drill", orders]
    command += ["--nights", nights, "--seed", seed, "--json"]
    done = subprocess.run([str(word) for word in command], stdout=subprocess.PIPE, check=False)
    took_s = clock.mono() - began_s
    drill = json.loads(done.stdout)
    kept = drill["kept"]
    runs = nights + drill["repeated"] + 1
    print(f"| {nights} nights, seed {seed}, {os.cpu_count()} processors | |")
    print("| --- | --- |")
    print(f"| took | {took_s / 60.0:.1f} min, {took_s / nights:.2f} s a night |")
    print(f"| processor time of a run | {drill['processor_s'] / runs:.2f} s |")
    print(f"| 1000 nights at this pace | {took_s / nights * 1000.0 / 60.0:.0f} min |")
    print(f"| kept without faults | {drill['undisturbed']['kept']:.1%} |")
    for name in ("median", "percentile_5", "mean", "least"):
        print(f"| kept, {name} | {kept[name]:.1%} |")
    print(f"| nights that broke a promise | {len(drill['broken'])} |")
    _by_fault(drill["results"])
    slow = took_s / nights * 1000.0 > LIMIT_S
    return int(done.returncode != 0 or slow)


def _by_fault(results: list[dict[str, Any]]) -> None:
    """Print the faults whose nights kept least, by the median over the nights that had them."""
    rows = []
    for name in FAULT_KINDS:
        shares = [
            night["kept"]
            for night in results
            if any(fault.startswith(f"{name}@") for fault in night["faults"])
            and night["kept"] is not None
        ]
        if shares:
            rows.append((float(np.median(shares)), name, len(shares)))
    print("\n| fault | nights | kept, median |\n| --- | --- | --- |")
    for median, name, count in sorted(rows)[:15]:
        print(f"| {name} | {count} | {median:.1%} |")


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(
        main(
            int(words[0]) if words else 1000,
            int(words[1]) if len(words) > 1 else 1,
            Path(words[2]) if len(words) > 2 else ROOT / "configs" / "orders" / "first-night.yaml",
        )
    )
