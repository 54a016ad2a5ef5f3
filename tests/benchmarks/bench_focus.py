"""How well focus runs end. Run by hand: `python tests/benchmarks/bench_focus.py [--pixels]`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from focus_truth import OPTICS, Optics, run

RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 100


def numeric() -> None:
    print(f"{RUNS} seeded runs a row, 3 percent noise, wind in 12 percent of frames, cloud in 6")
    print("rig            begins     within 1/4 zone  failed  median err  exposures med/95%/max")
    for number, optics in enumerate(OPTICS):
        for near, far in ((0.0, 1.0), (1.0, 3.0), (3.0, 8.0), (20.0, 20.0)):
            for scaled in (True, False):
                row(number, optics, near, far, scaled)


def row(number: int, optics: Optics, near: float, far: float, scaled: bool) -> None:
    errors, exposures, failures = [], [], 0
    for seed in range(RUNS):
        rng = np.random.default_rng((number, seed))
        off = float(rng.uniform(near, far) * rng.choice([-1, 1]))
        search, truth = run(optics, off, seed, scaled=scaled)
        verdict = search.verdict
        assert verdict is not None
        exposures.append(verdict.exposures)
        if verdict.best_position is None:
            failures += 1
            errors.append(np.inf)
        else:
            errors.append(abs(verdict.best_position - truth.best) / optics.zone_steps)
    good = int(np.sum(np.array(errors) <= 0.25))
    print(
        f"f/{optics.f_ratio:<4} {'scaled ' if scaled else 'unknown'} {near:4.0f}-{far:<3.0f} zones"
        f"   {good:4d}          {failures:4d}     {np.median(errors):5.3f} zone   "
        f"{np.median(exposures):3.0f} {np.percentile(exposures, 95):5.1f} {max(exposures):4d}"
    )


if __name__ == "__main__":
    numeric()
