"""Polar alignment: how near to the truth, by arithmetic on noisy positions and through the rig."""

from __future__ import annotations

import argparse
import io
import math
import sys
import tempfile
from contextlib import redirect_stderr
from datetime import date
from pathlib import Path

import numpy as np

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "unit/sky")]

from test_sky_polar import Rig, off_arcsec, shaken  # noqa: E402

from midwatch.alignment import AlignOptions  # noqa: E402
from midwatch.runtime.files import load_orders  # noqa: E402
from midwatch.runtime.polar import AtTheKnobs, Rehearsal, rehearse_alignment  # noqa: E402
from midwatch.sky import SIDEREAL_DEG_PER_S  # noqa: E402
from midwatch.sky.polar import axis_from_drift, axis_from_frames, drift_from_frames  # noqa: E402
from support.interface_bench import RIG, SITE, write_night  # noqa: E402

LIMIT_ARCSEC = 30.0
LATITUDES = (-60.0, 70.0)


def drawn(rng: np.random.Generator) -> Rig:
    """A rig at a latitude of the range, 0.1 to 5 degrees off any way, logarithmically even."""
    latitude = rng.uniform(*LATITUDES)
    size, way = 6.0 * 50.0 ** rng.uniform(), rng.uniform(0.0, 2.0 * math.pi)
    aside = size * math.cos(way) / math.cos(math.radians(latitude))
    return Rig(latitude, size * math.sin(way), aside)


def frames_table(count: int) -> None:
    print(f"solved frames at three hour angles, {count} axes each, off in arcsec:")
    for noise in (0.2, 1.0, 2.0):
        for each in (1, 3):
            rng = np.random.default_rng([4, round(10 * noise), each])
            offs = []
            for _ in range(count):
                rig = drawn(rng)
                cone, first, step = rng.uniform(10.0, 80.0), rng.uniform(-20.0, -5.0), 40.0
                arounds = np.repeat([first - 2 * step, first - step, first], each)
                frames = [
                    shaken(rig.frame(cone, around, 20.0 * number), rng, noise)
                    for number, around in enumerate(arounds)
                ]
                found = axis_from_frames(rig.observer, frames, noise)
                offs.append(off_arcsec(rig, found.altitude_arcmin, found.azimuth_arcmin))
            line(f"noise {noise:.1f} arcsec, {each} a field", offs)


def drift_table(count: int) -> None:
    print(f"drift of two fields over five minutes, {count} axes, off in arcsec:")
    for noise in (0.2, 1.0):
        rng = np.random.default_rng([5, round(10 * noise)])
        offs = []
        for _ in range(count):
            rig = drawn(rng)
            drifts = []
            for around in (-75.0, -8.0):
                times = np.arange(0.0, 301.0, 25.0)
                frames = [
                    shaken(rig.frame(75.0, around + SIDEREAL_DEG_PER_S * t, t), rng, noise)
                    for t in times
                ]
                drifts.append(drift_from_frames(rig.observer, frames, noise))
            found = axis_from_drift(rig.place, drifts)
            offs.append(off_arcsec(rig, found.altitude_arcmin, found.azimuth_arcmin))
        line(f"noise {noise:.1f} arcsec", offs)


def line(what: str, offs: list[float]) -> None:
    values = np.array(offs)
    print(
        f"  {what:28s} median {np.median(values):6.2f}  99 % {np.percentile(values, 99):6.2f}"
        f"  worst {values.max():6.2f}  over {LIMIT_ARCSEC:.0f}: {(values > LIMIT_ARCSEC).sum()}"
    )


def rig_table(sky: str, seeds: range, *, guide: bool) -> None:
    print(f"through the simulated rig, {sky}{', with guidance' if guide else ''}:")
    options = AlignOptions("frames", 1.0, None, 3, 5.0, guide, guide, True)
    offs, left = [], []
    for seed in seeds:
        rng = np.random.default_rng([6, seed])
        latitude = float(rng.uniform(*LATITUDES)) if not guide else (46.2, -33.0, 20.0)[seed % 3]
        size, way = 6.0 * 50.0 ** rng.uniform(), rng.uniform(0.0, 2.0 * math.pi)
        high = size * math.sin(way)
        east = size * math.cos(way) / math.cos(math.radians(abs(latitude)))
        with tempfile.TemporaryDirectory() as folder:
            mount = f"options: {{polar_high_arcmin: {high}, polar_east_arcmin: {east}}}"
            rig = RIG.replace("driver: simulated-mount", f"driver: simulated-mount, {mount}")
            site = SITE.replace("latitude_deg: 46.2", f"latitude_deg: {latitude}")
            night = load_orders(write_night(Path(folder), rig=rig, site=site))
            with redirect_stderr(io.StringIO()):
                rehearsal = Rehearsal(seed, date(2027, 3, 10), sky, Path(folder) / "out")
                result = rehearse_alignment(night, options, rehearsal, AtTheKnobs(lambda _: None))
        found = result.found
        truth = Rig(latitude, high, math.copysign(1.0, latitude) * east)
        measured = found.measured
        assert measured is not None
        offs.append(off_arcsec(truth, measured.altitude_arcmin, measured.azimuth_arcmin))
        if found.confirmed is not None:
            left.append(found.confirmed.total_arcmin)
    line(f"{len(offs)} rigs, 5 arcsec flexure", offs)
    if left:
        print(f"  after guidance to 1 arcmin, measured again: worst {max(left):.2f} arcmin")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--rigs", type=int, default=40)
    parser.add_argument("--pixels", type=int, default=6)
    args = parser.parse_args()
    frames_table(args.count)
    drift_table(args.count // 4)
    rig_table("fast", range(args.rigs), guide=False)
    rig_table("pixels", range(args.pixels), guide=True)


if __name__ == "__main__":
    main()
