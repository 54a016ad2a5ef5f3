"""Headers that nobody here wrote: our gnomonic plane against astropy.wcs on them.

The file comes with astropy's wheel: a globular cluster of a photographic sky survey.
"""

from __future__ import annotations

import warnings
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import angular_separation
from astropy.io import fits
from astropy.wcs import WCS

from midwatch.imaging import Frame, Solution
from midwatch.imaging.stars import measure_stars

ASTROPY = Path(str(files("astropy")))
CLUSTER = ASTROPY / "io/fits/hdu/compressed/tests/data/m13.fits"


def cluster() -> tuple[np.ndarray, WCS]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(CLUSTER) as parts:
            part = next(p for p in parts if p.data is not None)
            return part.data, WCS(part.header).celestial


def ours(wcs: WCS, shape: tuple[int, int]) -> Solution:
    (cd11, cd12), (cd21, cd22) = wcs.pixel_scale_matrix.tolist()
    ra, dec = map(float, wcs.wcs.crval)
    x, y = map(float, wcs.wcs.crpix)
    return Solution(ra, dec, 0.0, 1.0, 1, 0.0, 0, 0, shape, (x, y), (ra, dec),
                    ((cd11, cd12), (cd21, cd22)))  # fmt: skip


def test_pixels_and_sky_agree_with_astropy() -> None:
    data, wcs = cluster()
    x, y = (v.ravel() for v in np.meshgrid([0.0, 40.5, data.shape[1] - 1.0], [0.0, 77.25, 99.0]))
    solution = ours(wcs, data.shape)
    ra, dec = solution.pixel_to_sky(x, y)
    theirs = np.radians(wcs.wcs_pix2world(x, y, 0))
    apart = np.degrees(angular_separation(np.radians(ra), np.radians(dec), *theirs)) * 3600
    assert apart.max() < 1e-5
    back_x, back_y = solution.sky_to_pixel(ra, dec)
    assert np.abs(back_x - x).max() < 1e-5 and np.abs(back_y - y).max() < 1e-5


def test_stars_of_the_cluster_are_measured() -> None:
    data, wcs = cluster()
    # A photographic survey in whole numbers, brought onto the scale of a camera.
    pixels = np.ascontiguousarray(np.clip(data, 0, 65535), dtype=np.uint16)
    measures = measure_stars(Frame(pixels), scale_arcsec=1.0)
    assert measures.count >= 50
    assert 1.0 < measures.hfr_px < 6.0
    assert wcs.pixel_scale_matrix[1, 1] * 3600 == pytest.approx(1.0, rel=1e-3)
