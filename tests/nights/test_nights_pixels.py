"""A short night in pixels: its files are read and judged by programs that nobody here made."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path

import fitsio
import numpy as np
import pytest
from astropy.io import fits
from astropy.stats import sigma_clipped_stats
from astropy.wcs import WCS
from photutils.detection import DAOStarFinder

from midwatch.journal.store.journal import digest_of
from midwatch.sky.catalogues import StarCatalogue
from support.pace import LIMIT_S

ROOT = Path(__file__).parent.parent.parent
FITSVERIFY = Path("/usr/bin/fitsverify")
# Both sides of the pier, two filters, both kinds of camera.
NIGHTS = {
    "harrier": "frames: [{filter: L, exposure_s: 60, count: 2}, "
    "{filter: Ha, exposure_s: 120, count: 1}]",
    "wren": "frames: [{exposure_s: 60, count: 2}]",
}


def rehearsed(rig: str, folder: Path) -> Path:
    print("seed 5")
    calibration = "{darks: 1, flats: 1, bias: 1}" if rig == "harrier" else "{darks: 1, bias: 1}"
    orders = folder / "orders.yaml"
    orders.write_text(
        f"site: {ROOT}/configs/sites/larch-hollow.yaml\nrig: {ROOT}/configs/rigs/{rig}.yaml\n"
        f"evening: 2027-03-10\ntargets:\n  - name: M 101\n    {NIGHTS[rig]}\n"
        f"calibration: {calibration}\nseed: 5\n"
    )
    done = subprocess.run(
        [sys.executable, "-m", "midwatch.interface.cli", "rehearse", str(orders),
         "--sky", "pixels", "--json", "--out", str(folder / "night")],
        capture_output=True, text=True, check=False, timeout=LIMIT_S,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    summary = json.loads(done.stdout)
    assert summary["targets"][0]["accepted"] == summary["targets"][0]["wanted"]
    return folder / "night" / "2027-03-10"


@pytest.fixture(scope="module", params=sorted(NIGHTS))
def night(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return rehearsed(request.param, tmp_path_factory.mktemp(request.param))


def lights(night: Path) -> list[Path]:
    found = sorted((night / "frames").rglob("*.fits"))
    assert found
    return found


def test_fitsverify_finds_neither_error_nor_warning(night: Path) -> None:
    """HEASARC's fitsverify, from the system's packages."""
    assert FITSVERIFY.exists(), "install the package fitsverify"
    for path in sorted(night.rglob("*.fits")):
        said = subprocess.run([FITSVERIFY, path], capture_output=True, text=True, check=False)
        assert said.returncode == 0, said.stdout
        assert "0 warning(s) and 0 error(s)" in said.stdout


def test_other_readers_agree_on_every_pixel(night: Path) -> None:
    for path in sorted(night.rglob("*.fits")):
        with fits.open(path, checksum=True) as parts:
            parts.verify("exception")
            data = parts[0].data
        assert data.dtype == np.uint16
        assert np.array_equal(fitsio.read(path), data)


def test_headers_hold_what_stacking_tools_read(night: Path) -> None:
    """Common practice, no source: the keywords that such tools look for."""
    wanted = {
        "IMAGETYP", "EXPTIME", "DATE-OBS", "GAIN", "OFFSET", "CCD-TEMP", "XBINNING", "YBINNING",
        "XPIXSZ", "YPIXSZ", "INSTRUME",
    }  # fmt: skip
    for path in sorted(night.rglob("*.fits")):
        header = fits.getheader(path)
        assert wanted <= set(header), path
        folder = path.relative_to(night).parts
        kind = "LIGHT" if folder[0] == "frames" else folder[1].upper()
        assert header["IMAGETYP"] == kind
        if kind == "LIGHT":
            assert header["OBJECT"] == "M 101"
            assert {"RA", "DEC", "FOCALLEN", "AIRMASS", "PIERSIDE", "FOCUSPOS"} <= set(header)
            assert "T" in header["DATE-OBS"]
            assert not header["DATE-OBS"].endswith("Z")
        assert ("BAYERPAT" in header) == ("Wren" in str(path) or "wren" in str(night))


def test_the_header_says_where_each_star_is(night: Path) -> None:
    """astropy's WCS of the header against the catalogue, stars found by photutils: one pixel."""
    for path in lights(night):
        with fits.open(path) as parts:
            data, header = parts[0].data.astype(float), parts[0].header
        scale = 1
        if "BAYERPAT" in header:
            # One place for the four colours of a cell, as nobody may interpolate across them.
            rows, columns = (side // 2 * 2 for side in data.shape)
            data = data[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2).sum(axis=(1, 3))
            scale = 2
        _, median, sigma = sigma_clipped_stats(data, sigma=3.0, maxiters=3)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = DAOStarFinder(fwhm=2.5, threshold=40 * sigma)(data - median)
        names = found.colnames
        x = np.asarray(found["x_centroid" if "x_centroid" in names else "xcentroid"], float)
        y = np.asarray(found["y_centroid" if "y_centroid" in names else "ycentroid"], float)
        x, y = (x + 0.5) * scale - 0.5, (y + 0.5) * scale - 0.5
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            wcs = WCS(header)
        stars = StarCatalogue.load().near(header["CRVAL1"], header["CRVAL2"], 0.6, 9.9)
        sky_x, sky_y = wcs.all_world2pix(stars.ra_deg, stars.dec_deg, 0)
        nearest = [
            float(np.hypot(x - one, y - two).min())
            for one, two in zip(sky_x, sky_y, strict=True)
            if 20 < one < header["NAXIS1"] - 20 and 20 < two < header["NAXIS2"] - 20
        ]
        assert len(nearest) >= 5
        assert np.median(nearest) < 1.0, path
        # A saturated or merged star may be missed; no more than one in four is.
        assert np.mean(np.array(nearest) < 1.0) >= 0.75, path


@pytest.mark.parametrize("night", ["wren"], indirect=True)
def test_pixels_are_the_same_in_every_process(night: Path, tmp_path: Path) -> None:
    nights = [night, rehearsed("wren", tmp_path)]
    assert len({(night / "night.json").read_bytes() for night in nights}) == 1
    assert len({(night / "checksums.sha256").read_bytes() for night in nights}) == 1
    assert len({digest_of(night.parent / "journal.sqlite", "2027-03-10") for night in nights}) == 1


def test_every_light_has_a_preview_in_colour_if_its_camera_sees_it(night: Path) -> None:
    """Two frames of one filter: not only the first is drawn. Byte 25 of a PNG: 2 colour, 0 grey."""
    pictures = sorted((night / "previews").glob("*.png"))
    assert len(pictures) == len(lights(night))
    assert {path.read_bytes()[25] for path in pictures} == {2 if "wren" in str(night) else 0}
