"""Files against the FITS standard 4.0, through three readers that share no code with each other.

astropy.io.fits and fitsio (cfitsio) are Python packages; fitsverify is the checker of NASA's
HEASARC as packaged by Debian.
"""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import fitsio
import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time
from astropy.wcs import WCS, FITSFixedWarning

from midwatch.imaging import Solution
from midwatch.imaging.files import FrameHeader, light_cards, verify_checksum, write_fits

START = datetime(2026, 12, 12, 20, 15, 30, 125_000, tzinfo=UTC)
SMALL = np.arange(0, 60_000, 5_000, dtype=np.uint16).reshape(3, 4)
SCALE_DEG = 1.61574098 / 3600
COS, SIN = np.cos(np.radians(12)), np.sin(np.radians(12))
SOLUTION = Solution(
    ra_deg=83.82208,
    dec_deg=-5.39111,
    rotation_deg=12.0,
    scale_arcsec=1.61574098,
    parity=1,
    rms_arcsec=0.3,
    matched=40,
    n_stars=50,
    shape=(4176, 6248),
    crpix=(3124.5, 2088.5),
    crval_deg=(83.82208, -5.39111),
    cd=((-SCALE_DEG * COS, SCALE_DEG * SIN), (SCALE_DEG * SIN, SCALE_DEG * COS)),
)


def header(**facts: object) -> FrameHeader:
    return FrameHeader(  # type: ignore[arg-type]
        **{
            "image_type": "LIGHT",
            "start": START,
            "exposure_s": 120.0,
            "version": "0.1.0",
            "object_name": "M 31",
            "camera": "Camera",
            "bayer": "RGGB",
            "pixel_um": 3.76,
            "gain": 100,
            "ra_deg": 83.82208,
            "dec_deg": -5.39111,
            "guided": False,
            "solution": SOLUTION,
            **facts,
        }
    )


def test_layout_of_a_file(tmp_path: Path) -> None:
    """Cards of 80, blocks of 2880, mandatory cards first (FITS 4.0, sections 3.1, 4.1, 4.4.1)."""
    content = write_fits(tmp_path / "a.fits", SMALL, [("OBJECT", "M 31", "")]).path.read_bytes()
    assert len(content) == 2 * 2880
    cards = [content[i : i + 80].decode("ascii") for i in range(0, 2880, 80)]
    assert [card[:8].rstrip() for card in cards[:5]] == [
        "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2",
    ]  # fmt: skip
    assert cards[0][29] == "T"
    assert cards[1][:30] == "BITPIX  =                   16"
    assert cards[3][:30] == "NAXIS1  =                    4"
    assert any(card.startswith("OBJECT  = 'M 31    '") for card in cards)
    assert any(card.startswith("BZERO   =                32768") for card in cards)
    last = max(i for i, card in enumerate(cards) if card.strip())
    assert cards[last] == "END".ljust(80)
    # Unsigned 16 bit is stored signed and big-endian, less 32768 (section 5.2.5).
    assert content[2880:2888].hex() == "80009388a710ba98"
    assert content[2880 + 24 :].strip(b"\0") == b""


def test_datasum_and_checksum(tmp_path: Path) -> None:
    """DATASUM 1240645411 by astropy and by hand; a whole part sums to all ones (appendix J)."""
    facts = write_fits(tmp_path / "a.fits", SMALL, [])
    assert facts.datasum == 1240645411
    words = np.frombuffer(facts.path.read_bytes(), ">u4")
    assert int(words.astype(object).sum()) % 0xFFFFFFFF == 0
    assert verify_checksum(facts.path)
    with fits.open(facts.path, checksum=True) as parts:  # warns, and so fails, on a bad sum
        assert parts[0].verify_datasum() == parts[0].verify_checksum() == 1


@pytest.mark.parametrize(("cards", "blocks"), [(26, 1), (27, 2)])
def test_a_header_fills_whole_blocks(tmp_path: Path, cards: int, blocks: int) -> None:
    """36 cards, END included, fill a block and one more begins another (section 3.3.1)."""
    rows = [(f"K{i}", i, "") for i in range(cards)]
    size = write_fits(tmp_path / "a.fits", SMALL, rows).size_bytes
    written = fits.getheader(tmp_path / "a.fits")
    assert len(written) == cards + 9  # five mandatory, BZERO, BSCALE, CHECKSUM, DATASUM, no END
    assert size == 2880 * (blocks + 1)


@pytest.mark.skipif(shutil.which("fitsverify") is None, reason="fitsverify is not installed")
@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"solution": None, "bayer": None, "object_name": None},
        {"image_type": "BIAS", "exposure_s": 0.0},
        {"object_name": "O'Neill's \u00e9toile " * 6, "hfr_px": float("nan")},
        {"sensor_c": -10.123456789012, "elevation_m": 1e-7, "gain_e_per_adu": 12345678.9},
    ],
    ids=["solved", "plain", "bias", "odd name", "odd numbers"],
)
def test_fitsverify_has_nothing_to_say(tmp_path: Path, facts: dict[str, object]) -> None:
    path = write_fits(tmp_path / "a.fits", SMALL, light_cards(header(**facts))).path
    verdict = subprocess.run(["fitsverify", path], capture_output=True, text=True, check=False)
    assert verdict.returncode == 0, verdict.stdout
    assert "0 warning(s) and 0 error(s)" in verdict.stdout.replace("and  0", "and 0") or (
        "found 0 warning" in verdict.stdout
    ), verdict.stdout


def test_astropy_finds_every_card_valid(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", SMALL, light_cards(header())).path
    with fits.open(path) as parts:
        parts.verify("exception")
        assert len(parts) == 1
        assert np.array_equal(parts[0].data, SMALL)
        for card in parts[0].header.cards:
            card.verify("exception")


def test_cfitsio_reads_the_same_pixels_and_values(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", SMALL, light_cards(header())).path
    with fitsio.FITS(str(path)) as file:
        data, cards = file[0].read(), file[0].read_header()
    assert np.array_equal(data, SMALL)
    assert cards["IMAGETYP"].strip() == "LIGHT"
    assert cards["EXPTIME"] == 120.0
    assert cards["OBJECT"].strip() == "M 31"
    assert cards["GUIDED"] is False


def test_middle_of_the_exposure() -> None:
    """20:16:30.125 and JD 2461387.3447931, by astropy.time."""
    values = {key: value for key, value, _ in light_cards(header())}
    assert values["DATE-AVG"] == "2026-12-12T20:16:30.125"
    assert float(values["MJD-AVG"]) + 2_400_000.5 == pytest.approx(2461387.3447931, abs=1e-7)
    assert values["MJD-AVG"] == pytest.approx(Time(str(values["DATE-AVG"])).mjd, abs=1e-9)
    assert values["MJD-OBS"] == pytest.approx(Time(str(values["DATE-OBS"])).mjd, abs=1e-9)


# Corners of a rotated field and one inverse, from astropy.wcs (pixels there count from one).
@pytest.mark.parametrize(
    ("pixel", "sky"),
    [
        ((1, 1), (85.005946, -6.597434)),
        ((6248, 1), (82.247858, -6.013796)),
        ((6248, 4176), (82.642914, -4.182507)),
        ((2826.8545, 2587.0325), (84.0, -5.2)),
    ],
)
def test_pixels_and_sky(pixel: tuple[float, float], sky: tuple[float, float]) -> None:
    ra, dec = SOLUTION.pixel_to_sky(pixel[0] - 1, pixel[1] - 1)
    assert (float(ra), float(dec)) == pytest.approx(sky, abs=1e-6)
    x, y = SOLUTION.sky_to_pixel(*sky)
    assert (float(x) + 1, float(y) + 1) == pytest.approx(pixel, abs=3e-3)


def test_the_cards_of_a_solution_mean_to_astropy_what_they_mean_to_us(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", SMALL, light_cards(header())).path
    theirs = WCS(fits.getheader(path))
    x, y = np.meshgrid(np.linspace(-2000, 9000, 7), np.linspace(-2000, 6000, 7))
    ra, dec = theirs.all_pix2world(x, y, 0)
    ours = SOLUTION.pixel_to_sky(x, y)
    assert np.allclose(ours[0], ra, atol=1e-9) and np.allclose(ours[1], dec, atol=1e-9)
    back = SOLUTION.sky_to_pixel(ra, dec)
    assert np.allclose(back[0], x, atol=1e-5) and np.allclose(back[1], y, atol=1e-5)
    assert np.isnan(SOLUTION.sky_to_pixel(83.8 + 180, 5.0)[0])


def test_the_place_of_the_site_is_in_the_keywords_of_the_standard(tmp_path: Path) -> None:
    """OBSGEO-B, -L and -H of FITS 4.0 (section 9, reference position), as astropy reads them."""
    site = header(latitude_deg=51.75, longitude_deg=-1.25, elevation_m=130.0)
    path = write_fits(tmp_path / "a.fits", SMALL, light_cards(site)).path
    with pytest.warns(FITSFixedWarning, match="Set OBSGEO-X"):  # it adds the same place as X, Y, Z
        theirs = WCS(fits.getheader(path))
    assert theirs.wcs.obsgeo[3:] == pytest.approx([-1.25, 51.75, 130.0])
