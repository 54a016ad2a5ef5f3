"""How long imaging takes. Run by hand: `python tests/benchmarks/bench_imaging.py`."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from midwatch.imaging import Frame, Solution
from midwatch.imaging.files import FrameHeader, light_cards, preview_png, write_fits
from midwatch.imaging.focus.curve import fit_focus_curve
from midwatch.imaging.solving import FieldHint
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.imaging.stars import measure_stars
from midwatch.sky.catalogues import StarCatalogue
from support.imaging_truth import moffat, render


def milliseconds(work: Callable[[], object], repeats: int) -> str:
    """Best and median wall time of some repeats, after one that does not count."""
    work()
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(1e3 * (time.perf_counter() - began))
    return f"{min(times):8.2f} best {float(np.median(times)):8.2f} median ms"


def main() -> None:
    began = time.perf_counter()
    catalogue = StarCatalogue.load()
    catalogue.near(0.0, 0.0, 1.0)
    print(f"catalogue, read and first query  {1e3 * (time.perf_counter() - began):8.2f} ms")
    print("cone of 1.5 degrees            ", milliseconds(lambda: catalogue.near(80, 0, 1.5), 50))

    truth = render(moffat(3.0, 3.5), shape=(1400, 1800), stars=1200, separation=10)
    mono, mosaic = Frame(truth.data), Frame(truth.data, bayer="RGGB")
    for name, frame in (("mono", mono), ("mosaic", mosaic)):
        print(
            f"1800x1400 {name:6s} stars         ", milliseconds(lambda f=frame: measure_stars(f), 7)
        )
        print(
            f"1800x1400 {name:6s} preview       ", milliseconds(lambda f=frame: preview_png(f), 5)
        )

    shape, pixel = (1400, 1800), 4.14 / 3600
    real = Solution(
        83.8, -5.4, 0.0, 4.14, 1, 0.0, 0, 0, shape, (900.5, 700.5), (83.8, -5.4),
        ((-pixel, 0.0), (0.0, pixel)),
    )  # fmt: skip
    near = catalogue.near(83.8, -5.4, 1.3)
    x, y = real.sky_to_pixel(near.ra_deg, near.dec_deg)
    seen = (x > 0) & (x < shape[1]) & (y > 0) & (y < shape[0])
    rng = np.random.default_rng(1)
    x, y = x[seen] + rng.normal(0, 0.3, seen.sum()), y[seen] + rng.normal(0, 0.3, seen.sum())
    flux = 10 ** (-0.4 * near.mag_g[seen].astype(float))
    for name, hint in (
        ("rotation and parity known", FieldHint(84.0, -5.3, 0.5, 4.14, 0.003, 1, 0.5)),
        ("any, within 0.5 degrees  ", FieldHint(84.0, -5.3, 0.5, 4.14)),
        ("any, within 3 degrees    ", FieldHint(85.5, -4.0, 3.0, 4.14)),
        ("wrong place              ", FieldHint(150.0, 40.0, 1.0, 4.14)),
    ):
        print(
            f"solve, {name}",
            milliseconds(lambda h=hint: solve_field(x, y, flux, shape, h, catalogue), 9),
        )

    positions = np.arange(9400.0, 10601.0, 150.0)
    radii = 1.6 * np.hypot(1, (positions - 10_034) / 150) * (1 + 0.03 * rng.normal(size=9))
    print(
        "focus curve of 9 points        ",
        milliseconds(lambda: fit_focus_curve(positions, radii), 20),
    )

    cards = light_cards(
        FrameHeader(
            image_type="LIGHT", start=datetime(2026, 12, 12, tzinfo=UTC), exposure_s=60.0,
            version="0", object_name="M 42", camera="Camera", gain=100, ra_deg=83.8, dec_deg=-5.4,
            hfr_px=1.8, guided=True, solution=real,
        )
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.fits"
        for name, data in (("120x90", truth.data[:90, :120].copy()), ("1800x1400", truth.data)):
            for durable in (False, True):
                spent = milliseconds(
                    lambda d=data, k=durable: write_fits(path, d, cards, durable=k), 20
                )
                print(f"write {name:9s} durable={durable!s:5s}   ", spent)


if __name__ == "__main__":
    main()
