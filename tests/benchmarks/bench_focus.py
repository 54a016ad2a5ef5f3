"""How well focus runs end. By hand: `bench_focus.py [numeric|pixels|sizes] [N]`.

N is the number of seeded runs a row: 100 in numbers, 6 on rendered frames,
2 for sizes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.focus_truth import (
    OPTICS,
    PIXEL_BEST,
    RIGS,
    Optics,
    pixel_optics,
    pixel_run,
    pixel_sizes,
    run,
)


def numeric(runs: int) -> None:
    print(f"{runs} seeded runs a row, 3 percent noise, wind in 12 percent of frames, cloud in 6")
    print("rig            begins     within 1/4 zone  failed  median err  exposures med/95%/max")
    for number, optics in enumerate(OPTICS):
        for near, far in ((0.0, 1.0), (1.0, 3.0), (3.0, 8.0), (20.0, 20.0)):
            for scaled in (True, False):
                row(number, optics, near, far, scaled, runs)


def row(number: int, optics: Optics, near: float, far: float, scaled: bool, runs: int) -> None:
    errors, exposures, failures = [], [], 0
    for seed in range(runs):
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


def pixels(runs: int) -> None:
    print(f"{runs} seeded runs a row on rendered frames, simulated focuser and camera")
    print("rig          begins     within 1/4 zone  median err  worst err  exposures med/max")
    for rig in RIGS:
        zone = pixel_optics(rig).zone_steps
        for off in (-20.0, -3.0, -1.0, 0.4, 2.0, 20.0):
            verdicts = [pixel_run(rig, off, seed).verdict for seed in range(1, runs + 1)]
            exposures = [v.exposures for v in verdicts if v is not None]
            errors = [
                np.inf
                if v is None or v.best_position is None
                else abs(v.best_position - PIXEL_BEST) / zone
                for v in verdicts
            ]
            good = int(np.sum(np.array(errors) <= 0.25))
            print(
                f"{rig:10} {off:+6.1f} zones  {good:4d} of {runs:<4d}     {np.median(errors):6.3f}"
                f"     {max(errors):6.3f}      {np.median(exposures):3.0f} {max(exposures):4d}",
                flush=True,
            )


def sizes(runs: int) -> None:
    """Half-flux radii over those of geometry; the simulated camera draws discs up to 60 px wide."""
    offsets = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0, -20.0, -40.0)
    print("measured over true radius by zones from focus, 4 s; in brackets stars; - none")
    for rig in RIGS:
        optics = pixel_optics(rig)
        for seed in range(1, runs + 1):
            cells = []
            for off, seen in zip(offsets, pixel_sizes(rig, offsets, seed), strict=True):
                true = optics.hfr_px(off * optics.zone_steps)
                hfr = "-" if seen.hfr_px is None else f"{seen.hfr_px / true:.3f}"
                cells.append(f"{off:+.0f}: {hfr} ({seen.stars})")
            print(f"{rig:10} seed {seed}  " + "  ".join(cells), flush=True)


if __name__ == "__main__":
    asked, number = sys.argv[1:2], [int(word) for word in sys.argv[2:3]]
    if asked in ([], ["numeric"]):
        numeric(*(number or [100]))
    if asked in ([], ["pixels"]):
        pixels(*(number or [6]))
    if asked in ([], ["sizes"]):
        sizes(*(number or [2]))
