"""From the sky to a file and back: pixels are rendered, measured, solved, written and read.

The stars come from the catalogue; their pixels from astropy.wcs and the tests' own renderer.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from midwatch.imaging import Frame, Solution
from midwatch.imaging.files import FrameHeader, light_cards, read_fits, write_fits
from midwatch.imaging.solving import FieldHint
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.imaging.stars import measure_stars
from midwatch.sky.catalogues import StarCatalogue
from support.imaging_truth import gaussian, render

SHAPE = (700, 900)
SCALE_ARCSEC = 8.3


def layout(ra_deg: float, dec_deg: float, rotation_deg: float, parity: int) -> WCS:
    turn, pixel = np.radians(rotation_deg), SCALE_ARCSEC / 3600
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra_deg, dec_deg]
    wcs.wcs.crpix = [(SHAPE[1] + 1) / 2, (SHAPE[0] + 1) / 2]
    wcs.wcs.cd = pixel * np.array(
        [[-parity * np.cos(turn), np.sin(turn)], [parity * np.sin(turn), np.cos(turn)]]
    )
    return wcs


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "rotation_deg", "parity", "bayer"),
    [
        (83.82, -5.39, 12.0, 1, None),
        (10.68, 41.27, 205.0, -1, None),
        (202.47, 47.2, 91.0, -1, "RGGB"),
    ],
    ids=["winter", "autumn", "spring in colour"],
)
def test_from_the_sky_to_a_file(
    tmp_path: Path,
    ra_deg: float,
    dec_deg: float,
    rotation_deg: float,
    parity: int,
    bayer: str | None,
) -> None:
    wcs = layout(ra_deg, dec_deg, rotation_deg, parity)
    catalogue = StarCatalogue.load()
    stars = catalogue.near(ra_deg, dec_deg, 1.4)
    x, y = wcs.all_world2pix(stars.ra_deg, stars.dec_deg, 0)
    inside = (x > -5) & (x < SHAPE[1] + 5) & (y > -5) & (y < SHAPE[0] + 5)
    light = 10 ** (-0.4 * (stars.mag_g[inside].astype(float) - 10.0)) * 15_000
    truth = render(
        gaussian(1.4), shape=SHAPE, known=(x[inside], y[inside], light), sky=300, reach=15
    )
    frame = Frame(truth.data, saturation_adu=65_535, bayer=bayer)
    measures = measure_stars(frame, scale_arcsec=SCALE_ARCSEC)
    assert measures.fwhm_arcsec == pytest.approx(2.3548 * 1.4 * SCALE_ARCSEC, rel=0.04)
    seen = measures.stars
    hint = FieldHint(ra_deg + 0.3, dec_deg - 0.2, 0.5, SCALE_ARCSEC * 1.01)
    solution = solve_field(seen.x_px, seen.y_px, seen.flux_adu, SHAPE, hint, catalogue)
    assert isinstance(solution, Solution), solution
    assert solution.parity == parity
    header = FrameHeader(
        image_type="LIGHT",
        start=datetime(2026, 12, 12, 20, 15, 30, tzinfo=UTC),
        exposure_s=60.0,
        version="0",
        bayer=bayer,
        hfr_px=measures.hfr_px,
        star_count=measures.count,
        solution=solution,
    )
    facts = write_fits(tmp_path / "light.fits", frame.data, light_cards(header))
    assert np.array_equal(read_fits(facts.path).data, truth.data)
    # What a stranger's program makes of the file: the true place of every pixel, to a third of one.
    theirs = WCS(fits.getheader(facts.path))
    corners = np.array([[0, 0], [SHAPE[1] - 1, 0], [0, SHAPE[0] - 1], [450, 350]], dtype=float)
    there = theirs.all_pix2world(corners, 0)
    back = wcs.all_world2pix(there, 0)
    assert np.hypot(*(back - corners).T).max() < 0.35
