"""Cold nights: star sizes against best focus, and the runs that it took; run it as a script.

For each seed two nights of one rig: the first with nothing learned, a later one with what the
first has taught, the rig set up afresh in between. Both by the learned line and by the clock.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from focus_nights import (
    POLICIES,
    allowed_defocus_um,
    cold_orders,
    necessary_runs,
    rehearse_night,
)

EVENINGS = (("first", date(2027, 3, 10), 15_000), ("later", date(2027, 3, 11), 15_240))


def main() -> None:
    """Print the worst growth by defocus of accepted frames, and the number of runs."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seeds", type=int, default=10)
    ask.add_argument("--fall-c", type=float, default=12.0)
    ask.add_argument("--sky", choices=("fast", "pixels"), default="fast")
    ask.add_argument("--policies", nargs="*", default=list(POLICIES))
    asked = ask.parse_args()
    print(f"allowed defocus for 1.10: {allowed_defocus_um():.1f} um; {asked.sky}")
    for policy in asked.policies:
        for which, evening, best in EVENINGS:
            worst, frames, over, counts, needed = 0.0, 0, 0, [], []
            for seed in range(1, asked.seeds + 1):
                with tempfile.TemporaryDirectory() as name:
                    folder = Path(name)
                    if which == "later":
                        # The night before, which teaches.
                        orders = cold_orders(folder, policy, asked.fall_c)
                        rehearse_night(orders, folder / "data", seed, EVENINGS[0][1])
                    orders = cold_orders(folder, policy, asked.fall_c, best)
                    night = rehearse_night(orders, folder / "data", seed + 100, evening, asked.sky)
                worst = max(worst, *night.ratios)
                frames += len(night.ratios)
                over += sum(ratio > 1.10 for ratio in night.ratios)
                counts.append(len([run for run in night.runs if run.ok]))
                needed.append(necessary_runs(night))
            shift = max(um for um, _ in needed)
            print(
                f"{policy:14s} {which:5s} worst {worst:.3f}, {over} of {frames} frames over 1.10; "
                f"runs {min(counts)} to {max(counts)}, mean {sum(counts) / len(counts):.1f}; "
                f"shift {shift:.0f} um needs {max(n for _, n in needed)} without learning",
                flush=True,
            )


if __name__ == "__main__":
    main()
