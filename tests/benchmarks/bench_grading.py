"""How well frames are graded. Run by hand: `python tests/benchmarks/bench_grading.py [SEEDS]`.

Truth is the simulator's: light lost to cloud, growth of the true half-flux radius by wind and
defocus. Spoilt is 0.45 mag or 40 percent and more, good 0.12 mag and 15 percent or less; what lies
between is not scored. Precision: of the frames not accepted, how many were spoilt. Recall: of the
spoilt frames, how many were not accepted.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.grading_scenes import Scene, graded


def scenes(kind: str, seed: int) -> Scene:
    """Draw one night of a kind."""
    rng = np.random.default_rng([seed, len(kind)])
    at, cover = float(rng.uniform(8, 40)), float(rng.uniform(35, 90))
    match kind:
        case "clear night":
            return Scene(seed)
        case "cloud band":
            return Scene(seed, clouds=((at, at + rng.uniform(3, 12), cover, 1.0),))
        case "clouds at dusk":
            return Scene(seed, clouds=((-5.0, rng.uniform(2, 5), cover, 1.0),))
        case "many bands":
            bands = tuple((a, a + 3.0, cover, 1.0) for a in np.arange(at % 8, 58, 8).tolist())
            return Scene(seed, clouds=bands)
        case "wind":
            return Scene(seed, winds=((at, at + rng.uniform(3, 10), rng.uniform(12, 22)),))
        case "focus slip":
            slip = (at, at + rng.uniform(3, 12), rng.uniform(60, 200))
            return Scene(seed, slips=(slip,))
        case "Moonrise":
            # Eight days after full Moon it rises at about one in the morning, site time.
            return Scene(seed, began=datetime(2027, 3, 28, 20, 0, tzinfo=UTC), frames=85)
        case "full Moon rises":
            return Scene(seed, began=datetime(2027, 3, 23, 18, 30, tzinfo=UTC), frames=60)
        case "sinks to 13 degrees":
            return Scene(seed, began=datetime(2027, 10, 20, 17, 30, tzinfo=UTC), frames=44)
    raise ValueError(kind)


KINDS = ("clear night", "cloud band", "clouds at dusk", "many bands", "wind", "focus slip",
         "Moonrise", "full Moon rises", "sinks to 13 degrees")  # fmt: skip


def main(seeds: int) -> None:
    """Print a table."""
    print(f"{'night':20} {'frames':>6} {'spoilt':>6} {'good':>5}  precision recall  "
          f"good lost  rejected/doubtful   s")  # fmt: skip
    for kind in KINDS:
        count: Counter[tuple[str, str]] = Counter()
        began = time.perf_counter()
        for seed in range(seeds):
            for frame, grade in graded(scenes(kind, seed)):
                count[frame.truth, grade] += 1
        spoilt, good = (sum(n for (t, _), n in count.items() if t == truth)
                        for truth in ("spoilt", "good"))  # fmt: skip
        hit = count["spoilt", "rejected"] + count["spoilt", "doubtful"]
        wrong = count["good", "rejected"] + count["good", "doubtful"]
        precision = f"{hit / (hit + wrong):9.3f}" if hit + wrong else "        -"
        recall = f"{hit / spoilt:6.3f}" if spoilt else "     -"
        seen = Counter(grade for (_, grade), n in count.items() for _ in range(n))
        print(f"{kind:20} {sum(count.values()):6} {spoilt:6} {good:5}  {precision} {recall}  "
              f"{wrong:4} {wrong / max(good, 1):6.2%}  {seen['rejected']:5}/{seen['doubtful']:<5}"
              f"  {time.perf_counter() - began:6.1f}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
