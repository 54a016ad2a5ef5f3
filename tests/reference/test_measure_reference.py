"""What `measure` reads in frames that were not made here, against photutils.

Both frames come with astropy's own tests: m13.fits, a globular cluster on a photographic survey
scanned at 1 arcsec a pixel, and comp.fits, a wide field of such a survey kept in compressed tiles,
whose bright stars have burnt in and are left out.

photutils does not take pixels out of widths, fits a Gaussian instead of a Moffat profile, and
measures every star for itself; the differences that follow from it are stated at each check.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import astropy
import numpy as np
import pytest
from astropy.io import fits
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from photutils.profiles import CurveOfGrowth
from photutils.psf import fit_fwhm

from support.interface_bench import midwatch

FOLDER = Path(astropy.__file__).parent / "io/fits"
M13 = FOLDER / "hdu/compressed/tests/data/m13.fits"
WIDE = FOLDER / "tests/data/comp.fits"


@cache
def measured(path: Path) -> dict[str, Any]:
    said = midwatch("measure", "--json", path)
    assert said.code == 0, said.err
    frame: dict[str, Any] = json.loads(said.out)["frames"][0]
    return frame


@cache
def by_photutils(path: Path, fwhm_px: float) -> dict[str, float]:
    """Background, noise, stars, and medians of the bright stars that stand alone."""
    with fits.open(path) as parts:
        data = next(part.data for part in parts if part.data is not None).astype(float)
    sky = Background2D(data, (50, 50), bkg_estimator=MedianBackground(), exclude_percentile=50)
    level, noise = sky.background_median, sky.background_rms_median
    clean = data - sky.background
    found = DAOStarFinder(threshold=5.0 * noise, fwhm=fwhm_px)(clean)
    new = "x_centroid" in found.colnames
    x, y = (np.asarray(found[f"{a}_centroid" if new else f"{a}centroid"]) for a in "xy")
    peak = np.asarray(found["peak"])
    apart = np.hypot(x[:, None] - x, y[:, None] - y) + 1e6 * np.eye(len(x))
    edge = (x > 15) & (y > 15) & (x < data.shape[1] - 16) & (y < data.shape[0] - 16)
    alone = np.flatnonzero((apart.min(axis=1) > 9) & edge & (peak > 25 * noise))
    alone = alone[np.argsort(-peak[alone])][:40]
    places = np.stack((x[alone], y[alone]), axis=1)
    half = []
    for place in places:
        growth = CurveOfGrowth(clean, tuple(place), np.arange(0.25, 7.0, 0.25))
        growth.normalize(method="max")
        half.append(float(growth.calc_radius_at_ee(0.5)))
    return {
        "stars": len(x),
        "level": float(level),
        "noise": float(noise),
        "fwhm_px": float(np.median(fit_fwhm(clean, xypos=places, fit_shape=(9, 9)))),
        "half_px": float(np.median(half)),
    }


# Both take the median over a mesh: of 50 px there, of 64 px here.
@pytest.mark.parametrize(("path", "fwhm_px"), [(M13, 3.2), (WIDE, 2.0)])
def test_background_and_noise(path: Path, fwhm_px: float) -> None:
    ours, theirs = measured(path), by_photutils(path, fwhm_px)
    assert ours["background"] == pytest.approx(theirs["level"], rel=0.03)
    assert ours["noise"] == pytest.approx(theirs["noise"], rel=0.2)


# Widths: a pixel widens a Gaussian by 8 ln 2 / 12 px^2 of its squared width. On the other frame
# stars have burnt in by their brightness; photutils reads 1.4 to 2.1 px by which of them are asked.
def test_width_and_half_flux_radius() -> None:
    ours, theirs = measured(M13), by_photutils(M13, 3.2)
    assert ours["fwhm_px"] == pytest.approx(
        np.sqrt(theirs["fwhm_px"] ** 2 - 8 * np.log(2) / 12), rel=0.06
    )
    half = np.sqrt(theirs["half_px"] ** 2 - 1.17741**2 / 6)
    assert ours["hfr_px"] == pytest.approx(half, rel=0.06)
    assert ours["elongation"] < 1.06
