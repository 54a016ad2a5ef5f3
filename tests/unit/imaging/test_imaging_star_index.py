"""Index files are written here as their packages do: tables of bytes, vectors as whole numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from numpy.typing import NDArray

from midwatch.imaging.solving import FrameStars, SolveFailure, blind_trouble
from midwatch.imaging.solving.blind import solve_blind
from midwatch.imaging.solving.index_files import (
    IndexFileError,
    catalogue_with,
    index_files,
    read_index_stars,
)
from midwatch.sky.catalogues import MergedCatalogue, StarCatalogue

RNG = np.random.default_rng(77)
RA, DEC = RNG.uniform(0, 360, 500), np.degrees(np.arcsin(RNG.uniform(-1, 1, 500)))
MAG = RNG.uniform(9, 13, 500)


def table_of_bytes(name: str, numbers: NDArray[np.generic], width: int) -> fits.BinTableHDU:
    """A table whose only column is raw bytes, so many in a row."""
    raw = np.frombuffer(numbers.tobytes(), np.uint8).reshape(-1, width)
    return fits.BinTableHDU.from_columns([fits.Column(name, f"{width}B", array=raw)])


def write_index(
    path: Path, *, order: str = "<", stored: str = "u32", magnitudes: str | None = "MAG_VT"
) -> Path:
    """Write the stars above as an index file."""
    places = SkyCoord(RA, DEC, unit="deg").cartesian.xyz.value.T  # by astropy
    scale = (2.0**32 - 1) / 2.0
    whole = np.rint((places + 1.0) * scale).astype(f"{order}u4")
    data = table_of_bytes("kdtree_data_stars", whole, 12)
    if stored == "double":
        data = table_of_bytes("kdtree_data_stars", places.astype(f"{order}f8"), 24)
    bounds = np.array([-1, -1, -1, 1, 1, 1, scale], f"{order}f8")
    head = fits.BinTableHDU.from_columns([fits.Column("kdtree_header_stars", "1A", array=["x"])])
    head.header["KDT_DATA"] = stored
    primary = fits.PrimaryHDU()
    primary.header["ENDIAN"] = "04:03:02:01" if order == "<" else "01:02:03:04"
    tables = [primary, head, table_of_bytes("kdtree_range_stars", bounds, 8), data]
    if magnitudes:
        column = fits.Column(magnitudes, "1E", array=MAG.astype(np.float32))
        tables.append(fits.BinTableHDU.from_columns([column]))
    fits.HDUList(tables).writeto(path)
    return path


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("stored", ["u32", "double"])
def test_stars_are_where_they_were_put(tmp_path: Path, order: str, stored: str) -> None:
    stars = read_index_stars(write_index(tmp_path / "index-1.fits", order=order, stored=stored))
    assert len(stars) == 500
    rows = np.argsort(DEC, kind="stable")
    truth = SkyCoord(RA[rows], DEC[rows], unit="deg")
    # A step of the whole numbers is 0.1 milliarcseconds.
    assert truth.separation(SkyCoord(stars.ra_deg, stars.dec_deg, unit="deg")).arcsec.max() < 1e-3
    assert np.allclose(stars.mag_g, MAG[rows], atol=1e-5)
    near = stars.near(RA[0], DEC[0], 0.001)
    assert len(near) == 1 and near.mag_g[0] == pytest.approx(MAG[0], abs=1e-5)


@pytest.mark.parametrize(
    ("facts", "said"), [({"stored": "u16"}, "'u16'"), ({"magnitudes": None}, "no magnitudes")]
)
def test_a_file_of_another_form_is_refused(
    tmp_path: Path, facts: dict[str, str | None], said: str
) -> None:
    path = write_index(tmp_path / "index-2.fits", **facts)  # type: ignore[arg-type]
    with pytest.raises(IndexFileError, match=said):
        read_index_stars(path)


def test_other_files_of_a_folder_are_passed_over(tmp_path: Path) -> None:
    fits.PrimaryHDU(np.zeros((4, 4))).writeto(tmp_path / "picture.fits")
    (tmp_path / "broken.fits").write_bytes(b"SIMPLE  = no")
    index = write_index(tmp_path / "index-3.fits")
    assert index_files(tmp_path) == (index,)
    assert index_files(tmp_path / "nowhere") == ()
    with pytest.raises(IndexFileError, match="kdtree_data_stars"):
        read_index_stars(tmp_path / "picture.fits")


def test_the_built_in_catalogue_goes_before_the_deeper_stars(tmp_path: Path) -> None:
    write_index(tmp_path / "index-4.fits")
    builtin, deep = StarCatalogue.load(), catalogue_with(tmp_path)
    assert catalogue_with(tmp_path) is deep and catalogue_with(None) is builtin
    own, both = builtin.near(RA[3], DEC[3], 0.5), deep.near(RA[3], DEC[3], 0.5)
    assert len(both) >= len(own) + 1
    assert np.all(np.diff(both.mag_g) >= 0)
    assert set(own.id.tolist()) <= set(both.id.tolist())


def test_a_star_of_two_catalogues_counts_once() -> None:
    def one(ra: float, mag: float, number: int) -> StarCatalogue:
        return StarCatalogue(
            np.array([number]), np.array([ra]), np.array([20.0]),
            np.array([mag], np.float32), np.array([np.nan], np.float32),
        )  # fmt: skip

    second = 1.0 / 3600.0 / np.cos(np.radians(20.0))
    same = MergedCatalogue([one(50.0, 9.0, 1), one(50.0 + 3 * second, 9.3, 2)])
    assert same.near(50.0, 20.0, 0.1).id.tolist() == [1]
    apart = MergedCatalogue([one(50.0, 9.0, 1), one(50.0 + 9 * second, 8.3, 2)])
    assert apart.near(50.0, 20.0, 0.1).id.tolist() == [2, 1]
    assert len(apart.near(50.0, 20.0, 0.1, mag_limit=8.5)) == 1
    assert len(apart.near(80.0, -20.0, 0.1)) == 0


def test_what_blind_solving_lacks_is_reported(tmp_path: Path) -> None:
    assert "centring.index_folder" in (blind_trouble(None) or "")
    assert f"no index files in {tmp_path}" in (blind_trouble(tmp_path) or "")
    write_index(tmp_path / "index-5.fits")
    missing = blind_trouble(tmp_path, engine="no_engine_of_this_name")
    assert missing == "blind solving is not installed: pip install 'midwatch[solve]'"
    nothing = np.empty(0)
    stars = FrameStars(nothing, nothing, nothing, (10, 10))
    answer = solve_blind(stars, 2.0, 0.03, tmp_path / "nowhere", StarCatalogue.load())
    assert isinstance(answer, SolveFailure) and answer.kind == "not_installed"
