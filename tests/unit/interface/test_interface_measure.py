"""midwatch measure: any file, in words and as JSON; what is no frame is named."""

from __future__ import annotations

import gzip
import json
import resource
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from midwatch.imaging import Frame
from midwatch.imaging.files import FrameFileError, read_any_frame
from midwatch.imaging.stars import measure_stars
from support.imaging_truth import Truth, elliptic, moffat, render
from support.interface_bench import midwatch

TRUTH = render(elliptic(2.5, 1.2, 30.0, 3.5, n=5), shape=(200, 240), stars=15, reach=12)


def written(path: Path, data: np.ndarray, **cards: Any) -> Path:
    header = fits.Header()
    for keyword, value in cards.items():
        header[keyword] = value
    fits.writeto(path, data, header)
    return path


def told(*words: object, code: int = 0) -> dict[str, Any]:
    said = midwatch("measure", "--json", *words)
    assert said.code == code, said.err
    result: dict[str, Any] = json.loads(said.out)
    return result


def test_a_frame_shows_what_the_night_would_see_in_it(tmp_path: Path) -> None:
    path = written(tmp_path / "own.fits", TRUTH.data, XPIXSZ=3.76, FOCALLEN=400.0, IMAGETYP="Light")
    (frame,) = told(path)["frames"]
    night = measure_stars(Frame(TRUTH.data), scale_arcsec=206.264806 * 3.76 / 400)
    assert frame["stars"] == night.count == 15
    assert frame["hfr_px"] == pytest.approx(night.hfr_px, abs=1e-3)
    assert frame["fwhm_arcsec"] == pytest.approx(night.fwhm_arcsec, abs=1e-3)
    assert frame["elongation"] == pytest.approx(1.2, rel=0.05)
    assert frame["elongation_deg"] == pytest.approx(30, abs=5)
    assert frame["grade"] == "accepted" and frame["trails"] == []
    said = midwatch("measure", path)
    assert "15, of which 15 show the sharpness" in said.out
    assert "inside all bounds that need no other frames" in said.out


@pytest.mark.parametrize("kind", ["gzip", "tiles", "float", "signed", "big-endian double"])
def test_every_way_of_keeping_numbers_reads_the_same(tmp_path: Path, kind: str) -> None:
    data, path = TRUTH.data, tmp_path / "frame.fits"
    factor, shift = 1.0, 0.0
    if kind == "gzip":
        path = written(tmp_path / "frame.fits.gz", data)
    elif kind == "tiles":
        fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data)]).writeto(path)
    elif kind == "float":
        factor = 1.0 / 65535
        written(path, (data * factor).astype(np.float32))
    elif kind == "signed":
        shift = -5000.0
        written(path, data.astype(np.int32) - 5000)
    else:
        values = data.astype(">f8")
        values[3, 3] = np.nan
        written(path, values)
    (frame,) = told(path)["frames"]
    plain = measure_stars(Frame(data))
    assert frame["stars"] == plain.count
    assert frame["hfr_px"] == pytest.approx(plain.hfr_px, rel=0.01)
    assert frame["background"] == pytest.approx(plain.background_adu * factor + shift, rel=1e-3)
    assert frame["noise"] == pytest.approx(plain.noise_adu * factor, rel=0.02)


def test_a_mosaic_and_its_offset_are_taken_from_the_header(tmp_path: Path) -> None:
    path = written(tmp_path / "colour.fits", TRUTH.data, BAYERPAT="RGGB", XBAYROFF=1, YBAYROFF=0)
    assert read_any_frame(path).frame.bayer == "GRBG"
    assert told(path)["frames"][0]["bayer"] == "GRBG"


def test_what_is_no_frame_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    good = written(tmp_path / "good.fits", TRUTH.data)
    text = tmp_path / "notes.fits"
    text.write_text("no frame at all\n" * 500)
    cut = tmp_path / "cut.fits"
    cut.write_bytes(good.read_bytes()[:40_000])
    torn = tmp_path / "torn.fits.gz"
    torn.write_bytes(gzip.compress(good.read_bytes())[:3000])
    cube = written(tmp_path / "cube.fits", np.zeros((5, 20, 20), np.int16))
    empty = tmp_path / "empty.fits"
    empty.touch()
    endless = tmp_path / "endless.fits"
    endless.write_bytes(b"SIMPLE  =".ljust(80) + b" " * 5_000_000)
    bad = [text, cut, torn, cube, empty, endless, tmp_path / "gone.fits", tmp_path]
    result = told(*bad, good, code=2)
    assert [Path(frame["file"]) for frame in result["frames"]] == [good]
    assert [Path(entry["file"]) for entry in result["refused"]] == bad
    reasons = " ".join(entry["reason"] for entry in result["refused"])
    for words in ("is not FITS", "damaged", "5 planes", "has no end", "No such file"):
        assert words in reasons
    assert all(str(path) in midwatch("measure", *bad).err for path in bad)


def test_a_huge_frame_is_refused_before_it_is_read(tmp_path: Path) -> None:
    cards = ["SIMPLE  =                    T", "BITPIX  =                  -64",
             "NAXIS   =                    2", "NAXIS1  =               900000",
             "NAXIS2  =               900000", "END"]  # fmt: skip
    path = tmp_path / "huge.fits.gz"
    header = "".join(card.ljust(80) for card in cards).ljust(2880).encode()
    path.write_bytes(gzip.compress(header + bytes(20_000_000)))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FrameFileError, match="900000 x 900000 pixels, more than the 160 million"):
        read_any_frame(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kilobytes


def test_a_spoilt_frame_is_reported_why_and_a_dark_is_not_judged(tmp_path: Path) -> None:
    trailed = render(elliptic(2.0, 2.2, 0.0, 3.5, n=5), shape=(200, 240), stars=12, reach=14)
    light = written(tmp_path / "trailed.fits", trailed.data)
    dark = written(tmp_path / "dark.fits", TRUTH.data, IMAGETYP="Dark Frame")
    first, second = told(light, dark)["frames"]
    assert first["grade"] == "rejected" and "as long as wide" in first["reasons"][0]
    assert second["grade"] is None and "dark" in second["reasons"][0]


def on_sky(ra_deg: float, dec_deg: float, scale_arcsec: float) -> Truth:
    """Stars of the built-in list where they stand over a frame, north up."""
    from midwatch.imaging.wcs import project
    from midwatch.sky.catalogues import StarCatalogue

    near = StarCatalogue.load().near(ra_deg, dec_deg, 2.0)
    xi, eta = project(near.ra_deg, near.dec_deg, ra_deg, dec_deg)
    x, y = 250 - xi * 3600 / scale_arcsec, 200 + eta * 3600 / scale_arcsec
    seen = (x > 8) & (x < 492) & (y > 8) & (y < 392)
    flux = np.linspace(200_000, 20_000, int(seen.sum()))
    return render(moffat(2.5, 3.5), shape=(400, 500), reach=8, known=(x[seen], y[seen], flux))


@pytest.mark.parametrize("hinted", ["by header", "by hand"])
def test_solving_takes_its_hint_from_header_or_command_line(tmp_path: Path, hinted: str) -> None:
    truth = on_sky(83.8, -5.4, 18.0)
    cards = {"RA": 83.5, "DEC": -5.2, "XPIXSZ": 9.0, "FOCALLEN": 103.0}
    by_header = hinted == "by header"
    path = written(tmp_path / "sky.fits", truth.data, **(cards if by_header else {}))
    words = () if by_header else ("--near", "05:34:00,-5:12:00", "--scale", "18.2")
    found = told(path, "--solve", *words)["frames"][0]["solution"]
    assert found["solved"]
    assert found["ra_deg"] == pytest.approx(83.8, abs=0.02)
    assert found["dec_deg"] == pytest.approx(-5.4, abs=0.02)
    assert found["scale_arcsec"] == pytest.approx(18.0, rel=0.002)


def test_without_a_hint_it_says_what_is_missing(tmp_path: Path) -> None:
    path = written(tmp_path / "sky.fits", TRUTH.data)
    found = told(path, "--solve")["frames"][0]["solution"]
    assert not found["solved"] and "--near RA,DEC" in found["reason"]
    said = midwatch("measure", path, "--solve", "--near", "400,10")
    assert said.code == 2 and "outside 0 to 360" in said.err
