"""Declination guided through gears with play, against a plain proportional rule.

By hand: `bench_declination.py [SEEDS [SECONDS]]`; 10 seeds of 1800 s unless given. For each row the
residual of both, the first five minutes left out, and their ratio: mean, least and greatest of the
seeds.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from support.declination_runs import (  # type: ignore[import-not-found]
    DecRow,
    proportional,
    steered,
)

SEEING, PLAY_ARCSEC, DRIFT_ARCSEC_MIN = (1.0, 3.0), (0.0, 2.0, 8.0), (0.0, 1.0)
# The plain rule's share of the last error: the middle of what is useful.
GAIN = 0.65
LATE_S = 300.0


def main(seeds: int = 10, seconds: float = 1800.0) -> None:
    for values in itertools.product(SEEING, PLAY_ARCSEC, DRIFT_ARCSEC_MIN):
        row = DecRow(*values)
        ours, plain = [], []
        for seed in range(1, seeds + 1):
            ours.append(steered(row, seed, seconds).rms(LATE_S))
            plain.append(proportional(row, seed, seconds, GAIN).rms(LATE_S))
        ratio = np.array(ours) / np.array(plain)
        print(
            f"seeing {row.seeing:g}, play {row.play_arcsec:g}, drift {row.drift_arcsec_min:g}: "
            f"{np.mean(ours):.3f}, plain {np.mean(plain):.3f}, ratio {ratio.mean():.2f} "
            f"({ratio.min():.2f} to {ratio.max():.2f})",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:2]), *(float(word) for word in sys.argv[2:3]))
