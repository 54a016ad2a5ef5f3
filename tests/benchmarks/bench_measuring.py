"""What measuring a frame costs, against an earlier revision of the same repository.

By hand: `bench_measuring.py [REVISION] [full]`. Both revisions measure the same frames by turns,
each in a process of its own, in processor time, so that the ratios hold on a busy machine, too.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.imaging_truth import elliptic, moffat, mosaic, render

ROOT = Path(__file__).parents[2]
# The last revision before shapes were fitted and charge was looked for.
BEFORE = "ea6bbd8"
SHOWN = ("count", "hfr_px", "fwhm_px", "elongation", "noise_adu")


def serve() -> None:
    """Measure what standard input names; the revision is the one on the path."""
    from midwatch.imaging import Frame
    from midwatch.imaging.stars import measure_stars

    for line in sys.stdin:
        path, bayer = line.split()
        frame = Frame(np.load(path), bayer=None if bayer == "mono" else bayer)
        began = time.process_time()
        found = measure_stars(frame)
        spent = time.process_time() - began
        print(spent, *(getattr(found, name) for name in SHOWN), flush=True)


class Revision:
    """A process that measures with the program found in a folder."""

    def __init__(self, folder: Path) -> None:
        paths = (str(folder), str(ROOT / "tests"))
        # One thread each: threads of a library would count their waiting as work.
        alone = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")}
        self._process = subprocess.Popen(
            (sys.executable, __file__, "serve"), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, env={**os.environ, **alone, "PYTHONPATH": os.pathsep.join(paths)},
        )  # fmt: skip

    def measure(self, path: Path, bayer: str) -> list[float]:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(f"{path} {bayer}\n")
        self._process.stdin.flush()
        return [float(word) for word in self._process.stdout.readline().split()]

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()


def exported(revision: str, folder: Path) -> Path:
    packed = subprocess.run(
        ("git", "archive", revision, "daemon"), cwd=ROOT, stdout=subprocess.PIPE, check=True
    ).stdout
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        archive.extractall(folder, filter="data")
    return folder / "daemon"


def frames(folder: Path, full: bool) -> list[tuple[str, Path, str]]:
    """Render what is measured: name, file, colour pattern or mono."""
    sizes = [("1800x1400", (1400, 1800), 500)]
    if full:
        sizes.append(("6248x4176", (4176, 6248), 2500))
    made = []
    for name, shape, stars in sizes:
        for bayer in ("mono", "RGGB"):
            colour = None if bayer == "mono" else mosaic(shape, bayer)
            for kind, stamp in (("clean", moffat(3.0, 3.5)), ("struck", elliptic(2.4, 1.2, 30.0))):
                data = render(
                    stamp, shape=shape, stars=stars, separation=10, reach=15, colour=colour
                ).data
                if kind == "struck":
                    rng = np.random.default_rng(5)
                    hot = rng.integers(0, data.size, int(1e-4 * data.size))
                    charge = rng.uniform(100.0, 20_000.0, len(hot))
                    data.reshape(-1)[hot] += charge.astype(np.uint16)
                path = folder / f"{name}-{bayer}-{kind}.npy"
                np.save(path, data)
                made.append((f"{name} {bayer} {kind}", path, bayer))
    return made


def main() -> None:
    full = "full" in sys.argv[1:]
    named = [word for word in sys.argv[1:] if word != "full"]
    revision = named[0] if named else BEFORE
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        both = Revision(exported(revision, folder)), Revision(ROOT / "daemon")
        print(f"processor seconds, best of each: {revision}, this one, ratio (must hold: 1.15)")
        for title, path, bayer in frames(folder, full):
            rounds = 3 if "6248" in title else 9
            for each in both:
                each.measure(path, bayer)
            taken = [[each.measure(path, bayer) for each in both] for _ in range(rounds)]
            old, new = (min(turn[side][0] for turn in taken) for side in (0, 1))
            print(f"{title:24s} {old:7.3f} {new:7.3f} {new / old:6.2f}", end="  ")
            shown = zip(SHOWN, *(taken[0][side][1:] for side in (0, 1)), strict=True)
            print(*(f"{what} {a:.4g} {b:.4g}" for what, a, b in shown), sep="; ", flush=True)
        for each in both:
            each.close()


if __name__ == "__main__":
    serve() if sys.argv[1:] == ["serve"] else main()
