from __future__ import annotations

import hashlib
import resource
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from midwatch.imaging import Frame, Solution
from midwatch.imaging.files import FrameHeader, light_cards, read_fits, verify_checksum, write_fits
from midwatch.imaging.files.header import sexagesimal
from midwatch.imaging.stars import measure_stars

START = datetime(2026, 12, 12, 20, 15, 30, 125_000, tzinfo=UTC)
PIXELS = np.random.default_rng(1).integers(0, 65536, (60, 80), dtype=np.uint16)


def full_header() -> FrameHeader:
    solution = Solution(
        83.8, -5.4, 12.0, 1.616, 1, 0.2, 40, 60, (60, 80), (40.5, 30.5), (83.8, -5.4),
        ((-4.39e-4, 9.3e-5), (9.3e-5, 4.39e-4)),
    )  # fmt: skip
    return FrameHeader(
        image_type="LIGHT", start=START, exposure_s=120.0, version="0.1.0", object_name="M 42",
        object_ra_deg=83.82208, object_dec_deg=-5.39111, rig="Harrier",
        written=START + timedelta(seconds=130),
        camera="Camera", telescope="Telescope", focal_length_mm=480.0, aperture_mm=80.0,
        pixel_um=3.76, binning_x=2, binning_y=2, gain=100, offset=30, gain_e_per_adu=0.25,
        read_noise_e=1.5, sensor_c=-10.1, setpoint_c=-10.0, saturation_adu=65535,
        filter_name="H-alpha", bayer="RGGB", focuser_position=10_034, focuser_c=8.5,
        rotator_deg=12.0, ra_deg=83.9, dec_deg=-5.4, altitude_deg=40.0, azimuth_deg=160.0,
        airmass=1.55, pier_side="EAST", site_name="Hilltop", latitude_deg=51.75,
        longitude_deg=-1.25, elevation_m=100.0, moon_separation_deg=77.0, ambient_c=6.0,
        guided=True, guiding_rms_arcsec=0.64, hfr_px=1.9, fwhm_arcsec=2.9, elongation=1.05,
        star_count=321, background_adu=812.5, grade="accepted", solution=solution,
    )  # fmt: skip


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    facts = write_fits(tmp_path / "a.fits", PIXELS, light_cards(full_header()))
    content = facts.path.read_bytes()
    assert facts.sha256 == hashlib.sha256(content).hexdigest()
    assert facts.size_bytes == len(content) == facts.path.stat().st_size
    back = read_fits(facts.path)
    assert np.array_equal(back.data, PIXELS) and back.data.dtype == np.uint16
    assert back.header["OBJECT"] == "M 42"
    assert back.header["GUIDED"] is True
    assert back.header["XPIXSZ"] == pytest.approx(7.52)
    assert back.header["DATASUM"] == str(facts.datasum)
    assert [path.name for path in tmp_path.iterdir()] == ["a.fits"]
    # What comes back can be measured at once.
    assert measure_stars(Frame(back.data)).background_adu > 0


@pytest.mark.parametrize("durable", [True, False])
def test_the_bytes_do_not_depend_on_when_they_are_written(tmp_path: Path, durable: bool) -> None:
    cards = light_cards(full_header())
    first = write_fits(tmp_path / "a.fits", PIXELS, cards, durable=durable)
    second = write_fits(tmp_path / "b.fits", PIXELS, cards)
    assert first.sha256 == second.sha256


@pytest.mark.parametrize("place", [3, 700, 2_900, 8_000, -5])
def test_a_changed_byte_is_noticed(tmp_path: Path, place: int) -> None:
    path = write_fits(tmp_path / "a.fits", PIXELS, light_cards(full_header())).path
    assert verify_checksum(path)
    content = bytearray(path.read_bytes())
    content[place] ^= 0x04
    path.write_bytes(content)
    assert not verify_checksum(path)


def test_cut_short_or_unsummed_files_do_not_verify(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", PIXELS, []).path
    content = path.read_bytes()
    for part in (b"", content[:1000], content[:2880], content[:-2880], content[:-1]):
        path.write_bytes(part)
        assert not verify_checksum(path)
    with pytest.raises(FileNotFoundError):
        verify_checksum(tmp_path / "absent.fits")


def test_a_full_disk_leaves_nothing_behind_and_the_older_file_alone(tmp_path: Path) -> None:
    older = write_fits(tmp_path / "a.fits", PIXELS, [])
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5_000, limits[1]))
    try:
        with pytest.raises(OSError):
            write_fits(tmp_path / "a.fits", PIXELS[::-1].copy(), [])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert [path.name for path in tmp_path.iterdir()] == ["a.fits"]
    assert hashlib.sha256(older.path.read_bytes()).hexdigest() == older.sha256


def test_a_missing_folder_is_reported_as_the_system_does(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_fits(tmp_path / "absent" / "a.fits", PIXELS, [])


@pytest.mark.parametrize(
    "data", [PIXELS.astype(np.int32), PIXELS[0], np.empty((0, 4), np.uint16)], ids=str
)
def test_only_frames_are_written(tmp_path: Path, data: np.ndarray) -> None:
    with pytest.raises(ValueError, match="uint16"):
        write_fits(tmp_path / "a.fits", data, [])
    assert list(tmp_path.iterdir()) == []


def test_long_keywords_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="NINELETTR"):
        write_fits(tmp_path / "a.fits", PIXELS, [("NINELETTR", 1, "")])


def test_not_a_frame_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "a.fits").write_bytes(b"not a frame" * 1000)
    with pytest.raises(OSError):
        read_fits(tmp_path / "a.fits")


def test_frames_are_read_as_another_library_writes_them(tmp_path: Path) -> None:
    # Source: astropy.io.fits.
    values = {
        "OBJECT": "O'Neill / 7", "GUIDED": False, "GAIN": -100, "EXPTIME": 1.5e-3, "EMPTY": "",
    }  # fmt: skip
    written = fits.PrimaryHDU(PIXELS)
    for keyword, value in values.items():
        written.header[keyword] = (value, "it's a comment / with a slash")
    written.writeto(tmp_path / "a.fits")
    back = read_fits(tmp_path / "a.fits")
    assert np.array_equal(back.data, PIXELS)
    assert {keyword: back.header[keyword] for keyword in values} == values
    assert back.header["GUIDED"] is False


@pytest.mark.parametrize("length", [0, 100, 2880, 2880 + 2 * PIXELS.size - 1])
def test_a_file_cut_short_is_not_read(tmp_path: Path, length: int) -> None:
    path = write_fits(tmp_path / "a.fits", PIXELS, []).path
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(OSError):
        read_fits(path)


def test_other_numbers_than_pixels_are_not_read(tmp_path: Path) -> None:
    fits.PrimaryHDU(PIXELS.astype(np.float32)).writeto(tmp_path / "a.fits")
    with pytest.raises(ValueError, match="16-bit"):
        read_fits(tmp_path / "a.fits")


def test_every_fact_has_its_card_and_no_keyword_comes_twice() -> None:
    cards = light_cards(full_header())
    keys = [key for key, _, _ in cards]
    assert len(keys) == len(set(keys))
    assert all(0 < len(key) <= 8 for key in keys)
    values = {key: value for key, value, _ in cards}
    assert values["IMAGETYP"] == "LIGHT"
    assert values["DATE-OBS"] == values["DATE-BEG"] == "2026-12-12T20:15:30.125"
    assert values["DATE-AVG"] == "2026-12-12T20:16:30.125"
    assert values["DATE-END"] == "2026-12-12T20:17:30.125"
    assert values["OBJCTRA"] == "05 35 17.30" and values["OBJCTDEC"] == "-05 23 28.0"
    # What was ordered, and where the frame points.
    assert (values["RA"], values["DEC"]) == (83.9, -5.4)
    assert values["RDNOISE"] == 1.5
    assert values["RIG"] == "Harrier"
    assert values["DATE"] == "2026-12-12T20:17:40.125"
    assert values["BAYERPAT"] == "RGGB" and values["XBAYROFF"] == 0
    assert values["SWCREATE"] == "Midwatch 0.1.0"
    assert (values["ALTITUDE"], values["AZIMUTH"], values["ROTANGLE"]) == (40.0, 160.0, 12.0)
    assert (values["FOCUSTMP"], values["AIRTEMP"]) == (8.5, 6.0)
    assert (values["OBSGEO-B"], values["OBSGEO-L"]) == (values["SITELAT"], values["SITELONG"])
    assert values["OBSGEO-H"] == 100.0
    assert values["CTYPE1"] == "RA---TAN" and values["RADESYS"] == "ICRS"


def test_unknown_facts_leave_their_cards_out() -> None:
    header = FrameHeader(
        image_type="BIAS", start=START, exposure_s=0.0, version="0.1.0", hfr_px=float("nan")
    )
    keys = {key for key, _, _ in light_cards(header)}
    assert {"IMAGETYP", "EXPTIME", "DATE-OBS", "XBINNING", "SWCREATE"} <= keys
    assert not keys & {"OBJECT", "BAYERPAT", "XBAYROFF", "CTYPE1", "RA", "HFR", "GUIDED", "XPIXSZ"}


def test_times_are_turned_to_utc_and_need_a_zone() -> None:
    there = START.astimezone(timezone(timedelta(hours=-7)))
    header = FrameHeader(image_type="DARK", start=there, exposure_s=1.0, version="0")
    assert ("DATE-OBS", "2026-12-12T20:15:30.125") in [card[:2] for card in light_cards(header)]
    with pytest.raises(ValueError, match="zone"):
        FrameHeader(image_type="DARK", start=datetime(2026, 1, 1), exposure_s=1.0, version="0")  # noqa: DTZ001


@pytest.mark.parametrize(
    "name", ["O'Neill's nebula " * 8, "Barnard \u2116 33 \u00e9toile", "a\nb", "''" * 40]
)
def test_any_name_of_a_target_becomes_a_valid_card(tmp_path: Path, name: str) -> None:
    header = FrameHeader(
        image_type="LIGHT", start=START, exposure_s=1.0, version="0", object_name=name
    )
    path = write_fits(tmp_path / "a.fits", PIXELS, light_cards(header)).path
    back = str(read_fits(path).header["OBJECT"])
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    assert plain.replace("\n", " ").startswith(back) and len(back) >= min(30, len(plain) - 1)
    assert verify_checksum(path)


@pytest.mark.parametrize(
    ("value", "decimals", "signed", "text"),
    [
        (5.588138667, 2, False, "05 35 17.30"),
        (-0.001, 1, True, "-00 00 03.6"),
        (23.9999999, 1, False, "24 00 00.0"),
        (41.269167, 1, True, "+41 16 09.0"),
        (0.0, 1, True, "+00 00 00.0"),
    ],
)
def test_sexagesimal(value: float, decimals: int, signed: bool, text: str) -> None:
    assert sexagesimal(value, decimals, signed=signed) == text


@pytest.mark.parametrize(("first", "order"), [("top", "TOP-DOWN"), ("bottom", "BOTTOM-UP")])
def test_the_order_of_rows_is_what_the_camera_says(first: str, order: str) -> None:
    cards = light_cards(replace(full_header(), first_row=first))  # type: ignore[arg-type]
    assert {key: value for key, value, _ in cards}["ROWORDER"] == order
