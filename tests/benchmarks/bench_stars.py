"""Star measures against truth and against photutils. By hand: `bench_stars.py [quick]`."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from photutils.background import Background2D
from photutils.detection import DAOStarFinder
from photutils.psf import fit_fwhm

from midwatch.imaging import Frame
from midwatch.imaging.stars import measure_stars
from support.imaging_truth import gaussian, moffat, render


def half_flux_radius(fwhm: float, beta: float | None) -> float:
    """Closed forms: sqrt(2 ln 2) sigma of a Gaussian, and that of a Moffat profile."""
    if beta is None:
        return fwhm / 2
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return float(alpha * np.sqrt(2 ** (1 / (beta - 1)) - 1))


def widths() -> None:
    print("error of HFR and FWHM, well exposed stars, percent (must hold: 5)")
    for fwhm in (1.5, 2.0, 3.0, 4.0, 6.0, 8.0):
        for beta in (None, 2.5, 3.5, 4.765):
            stamp = gaussian(fwhm / 2.35482) if beta is None else moffat(fwhm, beta)
            truth = render(
                stamp, shape=(500, 700), stars=60, separation=55, border=35, reach=32,
                flux=(20_000, float(np.clip(60_000 * fwhm**2, 0, 400_000))),
            )  # fmt: skip
            line = f"  FWHM {fwhm:3.1f} {'Gaussian' if beta is None else f'Moffat {beta}':12s}"
            for bayer in (None, "RGGB"):
                found = measure_stars(Frame(truth.data, bayer=bayer))
                hfr = 100 * (found.hfr_px / half_flux_radius(fwhm, beta) - 1)
                width = 100 * (found.fwhm_px / fwhm - 1)
                line += f"  {bayer or 'mono'}: HFR {hfr:+5.1f} FWHM {width:+5.1f}"
            print(line, flush=True)


def false_ones() -> None:
    """Detections without a star: on empty sky, and in fields with stars down to the limit."""
    detected = false = 0
    for seed in range(40):
        truth = render(
            gaussian(1.4), shape=(800, 1000), stars=200, flux=(300, 30_000), separation=14,
            reach=9, seed=seed,
        )  # fmt: skip
        found = measure_stars(Frame(truth.data)).stars
        gap = np.hypot(found.x_px[:, None] - truth.x, found.y_px[:, None] - truth.y).min(axis=1)
        detected, false = detected + len(found), false + int(np.count_nonzero(gap > 3))
    print(f"false detections at 5 sigma: {false} of {detected} (must hold: under 1 percent)")


def against_photutils(shape: tuple[int, int]) -> None:
    truth = render(moffat(3.0, 3.5), shape=shape, stars=600, separation=30, reach=15)
    began = time.perf_counter()
    ours = measure_stars(Frame(truth.data))
    ours_s = time.perf_counter() - began
    began = time.perf_counter()
    background = Background2D(truth.data.astype(np.float32), (64, 64))
    clean = truth.data - background.background
    rms = background.background_rms_median
    finder = DAOStarFinder(threshold=5 * rms, fwhm=3.0)
    table = finder(clean)
    x, y = (np.asarray(table[f"{a}_centroid" if f"{a}_centroid" in table.colnames else
                             f"{a}centroid"]) for a in "xy")  # fmt: skip
    best = np.argsort(-np.asarray(table["flux"]))[:300]
    width = fit_fwhm(clean, xypos=np.stack((x[best], y[best]), axis=1), fit_shape=(15, 15))
    theirs_s = time.perf_counter() - began
    gap = np.hypot(ours.stars.x_px[:, None] - x, ours.stars.y_px[:, None] - y).min(axis=1)
    print(f"{shape[1]}x{shape[0]}: ours {ours_s:.2f} s, photutils {theirs_s:.2f} s, "
          f"ratio {ours_s / theirs_s:.3f} (must hold: 0.1)")  # fmt: skip
    print(f"  stars {ours.count} and {len(x)}; median gap of places {np.median(gap):.3f} px; "
          f"background {ours.background_adu:.2f} and {background.background_median:.2f}, "
          f"noise {ours.noise_adu:.2f} and {rms:.2f} ADU")  # fmt: skip
    print(f"  FWHM {ours.fwhm_px:.3f} (Moffat; true 3.0) and {np.median(width):.3f} px (Gaussian)")


if __name__ == "__main__":
    widths()
    false_ones()
    against_photutils((1400, 1800) if "quick" in sys.argv else (4176, 6248))
