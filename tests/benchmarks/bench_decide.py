"""How long a decision takes on the world of a full night; run it as a script."""

from __future__ import annotations

import statistics
import sys
import timeit
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "unit/sequencer"))

from test_sequencer_decide import HOURS, target, world  # type: ignore[import-not-found]

from midwatch.sequencer.decision import FrameNeed, decide


def main() -> None:
    """Print the median time of one decision for 2 and for 40 targets."""
    for count in (2, 40):
        needs = tuple(FrameNeed(i, "L", 300.0, 9) for i in range(5))
        windows = tuple((HOURS.dusk_s + i * 100, HOURS.dusk_s + 30_000) for i in range(3))
        targets = tuple(target(f"T{i}", needs=needs, windows=windows) for i in range(count))
        now = world(targets=targets)
        times = timeit.repeat(lambda now=now: decide(now), number=100, repeat=30)
        print(f"{count:3d} targets: median {statistics.median(times) * 10:.3f} ms a decision")


if __name__ == "__main__":
    main()
