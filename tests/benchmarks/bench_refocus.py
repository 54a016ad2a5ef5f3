"""Cold nights: star sizes against best focus, and the runs that it took; run it as a script.

For each seed two nights of one rig: the first with nothing learned, a later one with what the
first has taught, the rig set up afresh in between. Both by the learned line and by the clock.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.focus_nights import (
    POLICIES,
    FocusNight,
    allowed_defocus_um,
    cold_orders,
    necessary_runs,
    rehearse_night,
)

EVENINGS = (("first", date(2027, 3, 10), 15_000), ("later", date(2027, 3, 11), 15_240))


@dataclass
class Tally:
    """What all seeds of one kind of night came to."""

    ratios: list[float] = field(default_factory=list)
    runs: list[int] = field(default_factory=list)
    shift_um: list[float] = field(default_factory=list)
    needed: list[int] = field(default_factory=list)

    def add(self, night: FocusNight) -> None:
        """Count a night."""
        shift_um, needed = necessary_runs(night)
        self.ratios += night.ratios
        self.runs.append(sum(run.ok for run in night.runs))
        self.shift_um.append(shift_um)
        self.needed.append(needed)

    def text(self) -> str:
        """Return a row of the table."""
        over = sum(ratio > 1.10 for ratio in self.ratios)
        mean = sum(self.runs) / len(self.runs)
        return (
            f"{max(self.ratios):.3f} | {over} of {len(self.ratios)} | "
            f"{min(self.runs)} to {max(self.runs)}, mean {mean:.1f} | "
            f"{min(self.shift_um):.0f} to {max(self.shift_um):.0f} | {max(self.needed)}"
        )


def main() -> None:
    """Print the worst growth by defocus of accepted frames, and the number of runs."""
    ask = argparse.ArgumentParser()
    ask.add_argument("--seeds", type=int, default=10)
    ask.add_argument("--fall-c", type=float, default=12.0)
    ask.add_argument("--sky", choices=("fast", "pixels"), default="fast")
    ask.add_argument("--policies", nargs="*", default=list(POLICIES))
    asked = ask.parse_args()
    print(f"{allowed_defocus_um():.1f} um of defocus make stars grow by 1.10; {asked.sky}")
    print("| refocus | night | worst | frames over 1.10 | runs | shift, um | needed, unlearned |")
    for policy in asked.policies:
        tallies = {which: Tally() for which, _, _ in EVENINGS}
        for seed in range(1, asked.seeds + 1):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                for number, (which, evening, best) in enumerate(EVENINGS):
                    orders = cold_orders(folder, policy, asked.fall_c, best)
                    night = rehearse_night(
                        orders, folder / "data", seed + 100 * number, evening, asked.sky
                    )
                    tallies[which].add(night)
        for which, tally in tallies.items():
            print(f"| {policy} | {which} | {tally.text()} |", flush=True)


if __name__ == "__main__":
    main()
