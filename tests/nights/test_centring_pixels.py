"""Centring through the real duty on rendered pixels."""

from __future__ import annotations

from pathlib import Path

import pytest
from astropy.coordinates import SkyCoord

from support.centring_bench import TARGET, Rig, centred


def test_pixels_bring_a_mount_back_from_degrees_away(tmp_path: Path) -> None:
    done = centred(tmp_path, Rig(sky="pixels"), off_deg=3.0)
    assert done.centred.ok and done.centred.method == "wide"
    target = SkyCoord(TARGET["ra"], TARGET["dec"], unit="deg")
    truth = SkyCoord(done.truth.ra_deg, done.truth.dec_deg, unit="deg")
    assert target.separation(truth).arcsec < 45


def test_a_field_too_small_for_the_catalogue_says_what_to_install(tmp_path: Path) -> None:
    narrow = {"width_px": 480, "height_px": 400}
    done = centred(tmp_path, Rig(sky="pixels", camera=narrow, centring={"attempts": 2}))
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("sky", "sparse_catalogue")
    assert "astrometry-data-tycho2-07" in done.failure.message
    assert "centring.index_folder" in done.failure.message


@pytest.mark.parametrize("trees_deg", [15.0, 16.0], ids=["in part", "wholly"])
def test_a_field_at_the_edge_of_trees_is_left_for_another_target(
    tmp_path: Path, trees_deg: float
) -> None:
    low = {"ra": 220.0, "dec": 35.0}  # 11 degrees above the horizon of the site
    trees = {"trees_above_horizon_deg": trees_deg}
    other = {**TARGET, "name": "High"}
    done = centred(tmp_path, Rig(sky="pixels", target=low, others=[other], camera=trees))
    assert done.failure is not None
    assert (done.failure.device, done.failure.fault) == ("sky", "hidden")
    assert done.centred.attempts == 2
    assert (done.centred.stars or 0) < 50
