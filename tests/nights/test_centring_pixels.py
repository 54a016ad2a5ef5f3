"""Centring through the real duty on rendered pixels."""

from __future__ import annotations

from pathlib import Path

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
