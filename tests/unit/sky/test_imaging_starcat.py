from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import angular_separation

from midwatch.sky.catalogues import StarCatalogue


@pytest.fixture(scope="module")
def catalogue() -> StarCatalogue:
    return StarCatalogue.load()


def test_it_covers_the_sky_and_is_read_once(catalogue: StarCatalogue) -> None:
    assert StarCatalogue.load() is catalogue
    assert len(catalogue) > 400_000
    assert catalogue.ra_deg.min() >= 0 and catalogue.ra_deg.max() < 360
    assert catalogue.dec_deg.min() > -90 and catalogue.dec_deg.max() < 90
    for dec in (-80, -30, 0, 45, 85):
        assert len(catalogue.near(100.0, dec, 3.0)) > 50


@pytest.mark.parametrize(
    ("ra", "dec", "radius"),
    [(83.8, -5.4, 1.5), (359.9, 20.0, 1.0), (0.05, -40.0, 0.7), (10.0, 89.6, 1.0), (200, -89.9, 2)],
)
def test_a_cone_holds_what_astropy_puts_in_it(
    catalogue: StarCatalogue, ra: float, dec: float, radius: float
) -> None:
    band = np.abs(catalogue.dec_deg - dec) < radius + 0.1
    separation = np.degrees(
        angular_separation(
            np.radians(ra),
            np.radians(dec),
            np.radians(catalogue.ra_deg[band]),
            np.radians(catalogue.dec_deg[band]),
        )
    )
    expected = np.sort(catalogue.id[band][separation <= radius])
    found = catalogue.near(ra, dec, radius)
    assert len(found) >= 10
    assert np.array_equal(np.sort(found.id), expected)
    assert np.all(np.diff(found.mag_g) >= 0)
    turned = catalogue.near(ra - 360, dec, radius)
    assert np.array_equal(turned.id, found.id)


def test_the_magnitude_limit_and_empty_cones(catalogue: StarCatalogue) -> None:
    everything = catalogue.near(83.8, -5.4, 2.0)
    bright = catalogue.near(83.8, -5.4, 2.0, mag_limit=7.0)
    assert 0 < len(bright) < len(everything)
    assert bright.mag_g.max() <= 7.0
    assert np.count_nonzero(everything.mag_g <= 7.0) == len(bright)
    nothing = catalogue.near(83.8, -5.4, 2.0, mag_limit=-5.0)
    assert len(nothing) == 0 and nothing.ra_deg.shape == (0,)
    assert len(catalogue.near(0.0, 0.0, 180.0)) == len(catalogue)


# Places from memory of common star lists, J2000: good to an arcminute.
@pytest.mark.parametrize(
    ("name", "ra", "dec", "brighter_than"),
    [
        ("Sirius", 101.287, -16.716, 0.0),
        ("Vega", 279.235, 38.784, 0.5),
        ("Polaris", 37.954, 89.264, 2.5),
        ("Deneb", 310.358, 45.280, 1.6),
    ],
)
def test_bright_stars_are_where_they_should_be(
    catalogue: StarCatalogue, name: str, ra: float, dec: float, brighter_than: float
) -> None:
    brightest = catalogue.near(ra, dec, 1 / 60)
    assert len(brightest) >= 1, name
    assert brightest.mag_g[0] < brighter_than


def test_colours_are_those_of_stars(catalogue: StarCatalogue) -> None:
    known = catalogue.bp_rp[np.isfinite(catalogue.bp_rp)]
    assert len(known) > 0.99 * len(catalogue)
    assert np.percentile(known, 1) > -0.4 and np.percentile(known, 99) < 5.0
    assert 0.4 < np.median(known) < 1.8


def test_files_of_another_kind_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "stars.bin"
    record = struct.pack("<qddfff", 7, 10.0, 20.0, 5.0, 5.5, 4.5)
    path.write_bytes(b"GDR3" + struct.pack("<IQ", 1, 1) + record)
    one = StarCatalogue.read(path)
    assert (one.id[0], one.ra_deg[0], one.dec_deg[0]) == (7, 10.0, 20.0)
    assert one.bp_rp[0] == pytest.approx(1.0)
    for content in (
        b"",
        b"GDR3" + struct.pack("<IQ", 2, 1) + record,
        b"XXXX" + struct.pack("<IQ", 1, 1) + record,
        b"GDR3" + struct.pack("<IQ", 1, 2) + record,
    ):
        path.write_bytes(content)
        with pytest.raises(ValueError, match="star"):
            StarCatalogue.read(path)


def test_neither_catalogue_nor_imaging_loads_the_heavy_libraries() -> None:
    """A fast rehearsal must not pay for libraries that it does not use."""
    script = (
        "import sys, midwatch.imaging, midwatch.sky.catalogues.star_catalogue as s\n"
        "s.StarCatalogue.load().near(10.0, 10.0, 1.0)\n"
        "print([m for m in ('scipy', 'sep', 'astropy') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
