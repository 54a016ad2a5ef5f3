"""Solving over the whole sky, against the truth and against another engine.

Star positions of the fields come from Tycho-2 (its index file as packaged by Debian,
astrometry-data-tycho2-07, read here with numpy alone), epoch J2000; the built-in one is Gaia,
epoch J2016, so that proper motions and both catalogues' errors are in the figures. Frames are laid
out by astropy.wcs with 0.3 px of noise, 20 percent false and 20 percent missing stars, any rotation
and parity. The other engine is the package `astrometry` with the index files 07 to 09.

Run: nice .venv/bin/python tests/benchmarks/bench_solving.py [fields] [index folder]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits

sys.path.insert(0, str(Path(__file__).parent.parent))

from midwatch.imaging import Solution
from midwatch.imaging.solving import FieldHint, FrameStars, SolveFailure
from midwatch.imaging.solving.blind import solve_blind
from midwatch.imaging.solving.index_files import catalogue_with, index_files
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.imaging.solving.wide_search import solve_area, solve_scale
from midwatch.sky.catalogues import StarCatalogue
from support.solving_truth import Chip, Stars, TrueField, anywhere, hint_near, lay_out

FOUND_WITHIN_ARCSEC = 60.0  # what is solved further off is a false solution
ASKED_BOTH = 40  # of the fields, for the other engine takes up to seconds
POLE = (192.86, 27.13)  # of the Galaxy, where stars are fewest
Answer = Solution | SolveFailure | tuple[float, float] | None


@dataclass
class Score:
    solved: int = 0
    false: int = 0
    failed: list[int] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    ms: list[float] = field(default_factory=list)

    def add(self, truth: TrueField, answer: Answer, took_ms: float) -> None:
        self.ms.append(took_ms)
        if answer is None or isinstance(answer, SolveFailure):
            self.failed.append(truth.real)
            return
        place = answer if isinstance(answer, tuple) else (answer.ra_deg, answer.dec_deg)
        error = truth.error_arcsec(*place)
        if error > FOUND_WITHIN_ARCSEC:
            self.false += 1
        else:
            self.solved += 1
            self.errors.append(error)

    def row(self, name: str) -> str:
        count = len(self.ms)
        errors = np.array(self.errors or [np.nan])
        real = f"; stars in those not solved: {sorted(self.failed)[:12]}" if self.failed else ""
        return (
            f"{name:44s} {count:5d} {100 * self.solved / count:7.2f} % {self.false:3d} false"
            f"  ms {np.median(self.ms):7.1f} {np.percentile(self.ms, 95):7.1f}"
            f"  arcsec {np.median(errors):5.2f} {np.percentile(errors, 95):5.2f}"
            f" {errors.max():5.2f}{real}"
        )


def tycho(folder: Path) -> Stars:
    with fits.open(folder / "index-tycho2-07.littleendian.fits") as tables:
        for table in tables[1:]:
            if table.header["TTYPE1"] == "kdtree_data_stars":
                raw = np.frombuffer(table.data.tobytes(), "<u4").reshape(-1, 3)
            elif table.header["TTYPE1"] == "MAG_VT":
                mag = np.asarray(table.data["MAG_VT"], float)
    places = raw / 2.0**31 - 1.0
    ra = np.degrees(np.arctan2(places[:, 1], places[:, 0])) % 360
    return Stars.sorted(ra, np.degrees(np.arcsin(places[:, 2].clip(-1, 1))), mag)


def brighter(stars: Stars, mag: float) -> Stars:
    keep = stars.mag <= mag
    return Stars(stars.ra_deg[keep], stars.dec_deg[keep], stars.mag[keep])


def other_engine(folder: Path) -> Callable[[TrueField, tuple[float, float], float], Answer]:
    import astrometry

    solver = astrometry.Solver(list(index_files(folder)))

    def solve(truth: TrueField, place: tuple[float, float], radius_deg: float) -> Answer:
        order = np.argsort(-truth.flux, kind="stable")
        spots = np.column_stack((truth.x[order], truth.y[order])).tolist()
        if len(spots) < 4:
            return None
        scale = truth.chip.scale_arcsec
        answer = solver.solve(
            stars=spots,
            size_hint=astrometry.SizeHint(scale / 1.02, scale * 1.02),
            position_hint=astrometry.PositionHint(*place, radius_deg + truth.chip.diagonal_deg / 2),
            solution_parameters=astrometry.SolutionParameters(
                maximum_matches=1_000_000,
                logodds_callback=lambda odds: (
                    astrometry.Action.STOP if odds[0] > 100 else astrometry.Action.CONTINUE
                ),
            ),
        )
        if not answer.has_match():
            return None
        wcs = answer.best_match().astropy_wcs()
        height, width = truth.chip.shape
        # Its pixels count from one; it was given places that count from zero.
        ra, dec = wcs.all_pix2world((width - 1) / 2, (height - 1) / 2, 1)
        return float(ra), float(dec)

    return solve


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    folder = Path(sys.argv[2] if len(sys.argv) > 2 else "/usr/share/astrometry")
    everything = tycho(folder)
    bright = brighter(everything, 10.3)  # about what the built-in catalogue holds
    builtin, deep = StarCatalogue.load(), catalogue_with(folder)
    engine = other_engine(folder)
    builtin.near(0, 0, 1), deep.near(0, 0, 1)
    rigs = (
        ("2.07x1.38 deg, built-in", Chip(6248, 4176, 1.193), bright, builtin),
        ("1.33x1.03 deg, index files", Chip(1800, 1400, 2.65), everything, deep),
        ("1.15x0.86 deg, index files", Chip(1280, 960, 3.23), everything, deep),
        ("1.33x1.03 deg, built-in alone", Chip(1800, 1400, 2.65), bright, builtin),
    )
    print(f"{count} fields each; ms: median, 95 percent; arcsec: median, 95 percent, worst")
    for name, chip, stars, catalogue in rigs:
        rng = np.random.default_rng((2027, len(name)))
        ours, theirs = Score(), Score()
        for number in range(count):
            truth = lay_out(rng, stars, chip, *anywhere(rng))
            place = hint_near(rng, truth, 0.5)
            hint = FieldHint(*place, 0.5, chip.scale_arcsec)
            began = time.perf_counter()
            answer = solve_field(truth.x, truth.y, truth.flux, chip.shape, hint, catalogue)
            ours.add(truth, answer, 1e3 * (time.perf_counter() - began))
            if number >= ASKED_BOTH:
                continue
            began = time.perf_counter()
            found = engine(truth, place, 0.5)
            theirs.add(truth, found, 1e3 * (time.perf_counter() - began))
        print(ours.row(name), flush=True)
        print(theirs.row("   the other engine, hinted, index files"), flush=True)
    few = max(count // 5, 1)
    name, chip, stars, catalogue = rigs[0]
    report("within 8 deg of the galactic pole, built-in", few, lambda rng: near_pole(
        rng, chip, stars), lambda truth, rng: area(truth, rng, 0.5, builtin))  # fmt: skip
    for name, chip, stars, catalogue in rigs[:3]:
        here = name.split(",")[0]
        fewer = max(count // 66, 1)
        make = laid_out(chip, stars)
        report(f"{here}: hint 6 deg", fewer, make, lambda t, r, c=catalogue: area(t, r, 6.0, c))
        report(f"{here}: scale unknown", fewer, make, lambda t, r, c=catalogue: scale(t, r, c))
        report(f"{here}: blind", fewer, make, lambda t, r: solve_blind(
            table(t), t.chip.scale_arcsec * 1.01, 0.03, folder, deep))  # fmt: skip
        report(f"{here}: elsewhere (all must fail)", fewer, make,
               lambda t, r, c=catalogue: elsewhere(t, c))  # fmt: skip


def table(truth: TrueField) -> FrameStars:
    return FrameStars(truth.x, truth.y, truth.flux, truth.chip.shape)


def laid_out(chip: Chip, stars: Stars) -> Callable[[np.random.Generator], TrueField]:
    return lambda rng: lay_out(rng, stars, chip, *anywhere(rng))


def near_pole(rng: np.random.Generator, chip: Chip, stars: Stars) -> TrueField:
    dec = POLE[1] + rng.uniform(-8, 8)
    ra = POLE[0] + rng.uniform(-8, 8) / np.cos(np.radians(dec))
    return lay_out(rng, stars, chip, ra, dec)


def area(truth: TrueField, rng: np.random.Generator, radius_deg: float, catalogue) -> Answer:
    place = hint_near(rng, truth, radius_deg)
    return solve_area(table(truth), FieldHint(*place, radius_deg, truth.chip.scale_arcsec),
                      catalogue)  # fmt: skip


def scale(truth: TrueField, rng: np.random.Generator, catalogue) -> Answer:
    seen = truth.chip.scale_arcsec * 2.0 ** rng.uniform(-1, 1)
    return solve_scale(table(truth), FieldHint(*hint_near(rng, truth, 0.5), 0.7, seen), catalogue)


def elsewhere(truth: TrueField, catalogue) -> Answer:
    hint = FieldHint((truth.ra_deg + 180) % 360, -truth.dec_deg, 4.0, truth.chip.scale_arcsec)
    return solve_area(table(truth), hint, catalogue)


def report(
    name: str,
    count: int,
    make: Callable[[np.random.Generator], TrueField],
    ask: Callable[[TrueField, np.random.Generator], Answer],
) -> None:
    rng, score = np.random.default_rng((2028, len(name))), Score()
    for _ in range(count):
        truth = make(rng)
        began = time.perf_counter()
        answer = ask(truth, rng)
        score.add(truth, answer, 1e3 * (time.perf_counter() - began))
    print(score.row(name), flush=True)


if __name__ == "__main__":
    main()
