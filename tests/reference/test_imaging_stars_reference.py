"""Star measures against closed forms, against photutils, and on frames of real sky."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import astropy
import numpy as np
import pytest
from astropy.io import fits
from astropy.stats import SigmaClip
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from photutils.profiles import CurveOfGrowth
from photutils.psf import fit_fwhm as photutils_fit_fwhm

from midwatch.imaging import Frame
from midwatch.imaging.stars import measure_stars
from support.imaging_truth import gaussian, moffat, render, ring


# Half of the light of a Gaussian lies within sqrt(2 ln 2) sigma = 1.177410 sigma, and the full
# width at half maximum is twice that (closed form).
@pytest.mark.parametrize("sigma", [0.6, 0.8, 1.0, 1.5, 2.0, 3.0])
def test_gaussian(sigma: float) -> None:
    measures = measure_stars(Frame(render(gaussian(sigma), flux=(20_000, 100_000)).data))
    assert measures.hfr_px == pytest.approx(1.177410 * sigma, rel=0.015)
    assert measures.fwhm_px == pytest.approx(2.354820 * sigma, rel=0.015)
    assert measures.elongation < 1.01


# Half-flux radius of a Moffat profile, alpha sqrt(2^(1/(beta-1)) - 1) (closed form); the three
# values are those for a full width of 3.
@pytest.mark.parametrize(("beta", "expected"), [(2.5, 2.03384), (3.0, 1.89358), (4.765, 1.70432)])
def test_moffat(beta: float, expected: float) -> None:
    truth = render(moffat(3.0, beta), stars=30, reach=50, separation=40, flux=(20_000, 100_000))
    measures = measure_stars(Frame(truth.data))
    # The far wings of a shallow profile drown in the sky, so that its radius reads small.
    assert measures.hfr_px == pytest.approx(expected, rel=0.03)
    assert measures.fwhm_px == pytest.approx(3.0, rel=0.03)


# Half-flux radius of an even disc: R / sqrt 2; of a ring with 35 percent of the diameter
# obstructed: R sqrt((1 + 0.35^2) / 2) = 0.7492 R (geometry).
@pytest.mark.parametrize(("inner", "share"), [(0.0, 0.70711), (0.35, 0.74917)])
def test_out_of_focus(inner: float, share: float) -> None:
    truth = render(
        ring(9.0, inner * 9.0), stars=25, separation=55, border=60, flux=(80_000, 300_000)
    )
    assert measure_stars(Frame(truth.data)).hfr_px == pytest.approx(share * 9.0, rel=0.02)


@pytest.mark.parametrize(
    ("stamp", "gaussian_shape"),
    [(gaussian(1.3), True), (gaussian(2.2), True), (moffat(3.2, 3.5), False)],
    ids=["sharp", "soft", "moffat"],
)
def test_half_flux_radius_and_width_as_photutils_has_them(
    stamp: Callable[..., Any], gaussian_shape: bool
) -> None:
    truth = render(stamp, stars=30, separation=45, border=40, flux=(60_000, 200_000), reach=40)
    measures = measure_stars(Frame(truth.data))
    clean = truth.data.astype(float) - measures.background_adu
    radii = np.arange(0.25, 18.0, 0.25)
    half = []
    for x, y in zip(measures.stars.x_px, measures.stars.y_px, strict=True):
        growth = CurveOfGrowth(clean, (x, y), radii)
        growth.normalize(method="max")
        half.append(float(growth.calc_radius_at_ee(0.5)))
    # photutils does not take the pixel's own width off: 2/12 px^2 of variance, as a half-flux
    # radius of a Gaussian 1.17741^2 / 6.
    theirs = np.sqrt(np.median(half) ** 2 - 1.17741**2 / 6)
    assert measures.hfr_px == pytest.approx(theirs, rel=0.02)
    if not gaussian_shape:
        return  # photutils fits a Gaussian, which reads a Moffat profile 12 percent too wide
    positions = np.stack((measures.stars.x_px, measures.stars.y_px), axis=1)
    width = float(np.median(photutils_fit_fwhm(clean, xypos=positions, fit_shape=(15, 15))))
    assert measures.fwhm_px == pytest.approx(width, rel=0.05)


def test_positions_as_photutils_finds_them() -> None:
    truth = render(gaussian(1.5), flux=(20_000, 100_000))
    ours = measure_stars(Frame(truth.data)).stars
    clean = truth.data.astype(float) - np.median(truth.data)
    theirs = DAOStarFinder(threshold=200.0, fwhm=3.5)(clean)
    column_x, column_y = (
        np.asarray(theirs[name if name in theirs.colnames else old])
        for name, old in (("x_centroid", "xcentroid"), ("y_centroid", "ycentroid"))
    )
    assert len(ours) == len(theirs) == 60
    gap = np.hypot(ours.x_px[:, None] - column_x, ours.y_px[:, None] - column_y).min(axis=1)
    assert np.median(gap) < 0.05 and gap.max() < 0.3


# Real sky: the globular cluster M13 from a photographic survey, scanned at 1 arcsec a pixel; it
# ships inside astropy's own tests (io/fits/hdu/compressed/tests/data).
M13 = Path(astropy.__file__).parent / "io/fits/hdu/compressed/tests/data/m13.fits"


def test_a_real_globular_cluster() -> None:
    data = np.asarray(fits.getdata(M13)).astype(np.uint16)
    measures = measure_stars(Frame(data), scale_arcsec=1.0)
    background = Background2D(
        data.astype(float), (60, 60), bkg_estimator=MedianBackground(), exclude_percentile=50
    )
    assert measures.background_adu == pytest.approx(background.background_median, rel=0.08)
    assert measures.count > 100
    assert measures.elongation < 1.15
    peaks = DAOStarFinder(threshold=10 * measures.noise_adu, fwhm=3.2)(data - background.background)
    x_name = "x_centroid" if "x_centroid" in peaks.colnames else "xcentroid"
    y_name = x_name.replace("x", "y", 1)
    stars = measures.stars
    good = np.flatnonzero(stars.good & (stars.snr > 50))
    gap = np.hypot(
        stars.x_px[good, None] - np.asarray(peaks[x_name]),
        stars.y_px[good, None] - np.asarray(peaks[y_name]),
    ).min(axis=1)
    # Blends of the core have a centroid between two peaks; single stars agree.
    assert np.median(gap) < 0.4
    outer = good[np.hypot(stars.x_px[good] - 150, stars.y_px[good] - 150) > 90]
    assert len(outer) >= 8
    widths = photutils_fit_fwhm(
        data - background.background,
        xypos=np.stack((stars.x_px[outer], stars.y_px[outer]), axis=1),
        fit_shape=(9, 9),
    )
    assert measures.fwhm_px == pytest.approx(float(np.median(widths)), rel=0.15)


# A Moffat profile is half as high at half its width, by definition; the widths are those rendered.
@pytest.mark.parametrize("fwhm", [1.5, 2.5])
@pytest.mark.parametrize("bayer", [None, "RGGB"])
def test_width_of_sharp_stars_is_that_before_the_pixels(fwhm: float, bayer: str | None) -> None:
    truth = render(moffat(fwhm, 3.5), stars=40, separation=35, reach=16, flux=(20_000, 100_000))
    assert measure_stars(Frame(truth.data, bayer=bayer)).fwhm_px == pytest.approx(fwhm, rel=0.05)


# Zones of real sky: photutils' background map in the same nine parts.
def test_zones_of_a_real_globular_cluster() -> None:
    data = np.asarray(fits.getdata(M13)).astype(np.uint16)
    measures = measure_stars(Frame(data))
    counts = np.array([zone.count for zone in measures.zones]).reshape(3, 3)
    assert counts.sum() == measures.count
    assert not measures.trails
    side = data.shape[0] // 3, data.shape[1] // 3
    for zone in measures.zones:
        if (zone.row, zone.column) == (1, 1):
            continue  # no sky is seen through the core
        part = data[
            zone.row * side[0] : (zone.row + 1) * side[0],
            zone.column * side[1] : (zone.column + 1) * side[1],
        ]
        sky = MedianBackground(sigma_clip=SigmaClip(3.0))(part.astype(float))
        assert zone.background_adu == pytest.approx(sky, rel=0.03)
