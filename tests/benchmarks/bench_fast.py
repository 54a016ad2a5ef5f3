"""How much processor time a fast night takes in a warm process, as nights of a drill are run.

Run by hand on a quiet machine: bench_fast.py [NIGHTS] [ORDERS]. Compare two versions by running
them in turns. Exits with 1 if the median night takes longer than two processors can afford for
1000 nights in half an hour.
"""

from __future__ import annotations

import logging
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import structlog

from midwatch.drilling import draw_trial
from midwatch.drilling.trial import Trial, run_trial
from midwatch.planning import plan_night
from midwatch.runtime.files import load_orders

ROOT = Path(__file__).parent.parent.parent
LIMIT_S = 2 * 1800.0 / 1000.0
MOST_FAULTS = 5


def main(nights: int, orders: Path) -> int:
    quiet = structlog.make_filtering_bound_logger(logging.CRITICAL)
    structlog.configure(wrapper_class=quiet)
    night = load_orders(orders)
    evening = night.orders.evening
    if evening is None:
        print(f"{orders} names no evening")
        return 2
    plan = plan_night(night, evening)
    rows = {
        "without faults": [Trial(number, number, ()) for number in range(nights + 1)],
        "with drawn faults": [
            draw_trial(1, number, night, plan, MOST_FAULTS) for number in range(nights + 1)
        ],
    }
    print("| nights | processor time, median | least | most |\n| --- | --- | --- | --- |")
    medians = []
    with tempfile.TemporaryDirectory() as folder:
        for name, trials in rows.items():
            took = []
            for trial in trials:
                began_s = time.process_time()
                run_trial(night, plan, trial, Path(folder) / "night")
                took.append(time.process_time() - began_s)
            warm = took[1:]
            medians.append(float(np.median(warm)))
            print(f"| {name} | {medians[-1]:.2f} s | {min(warm):.2f} s | {max(warm):.2f} s |")
    return int(max(medians) > LIMIT_S)


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(
        main(
            int(words[0]) if words else 5,
            Path(words[1]) if len(words) > 1 else ROOT / "configs" / "orders" / "first-night.yaml",
        )
    )
