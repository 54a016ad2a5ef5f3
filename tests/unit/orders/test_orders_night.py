from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from midwatch.orders.reading import load_night, load_rig, load_site

CONFIGS = Path(__file__).parents[3] / "configs"
NIGHTS = sorted((CONFIGS / "orders").glob("*.yaml"))


@pytest.mark.parametrize("path", NIGHTS, ids=lambda path: path.stem)
def test_shipped_nights_are_sound(path):
    night = load_night(path)
    assert [target.name for target in night.targets] == [t.name for t in night.orders.targets]
    assert set(night.paths) >= {"orders", "site", "rig"}
    for name, file in night.paths.items():
        assert night.sha256[name] == hashlib.sha256(file.read_bytes()).hexdigest()


def test_shipped_sites_and_rigs_load_alone():
    for path in (CONFIGS / "sites").glob("*.yaml"):
        site, horizon, place = load_site(path)
        assert (place.latitude_deg, place.longitude_deg) == (site.latitude_deg, site.longitude_deg)
        assert horizon.points
    for path in (CONFIGS / "rigs").glob("*.yaml"):
        assert {"mount", "camera", "focuser"} <= set(load_rig(path).devices.present())


def test_the_first_night_is_read_as_written():
    night = load_night(CONFIGS / "orders/first-night.yaml")
    assert night.orders.evening is not None
    assert night.orders.evening.isoformat() == "2027-03-10"
    assert night.rig.devices.camera.options["width_px"] == 1800
    assert night.rig.focus.filter_offsets == {"L": 0, "R": 0, "G": 0, "B": 12, "Ha": 30}
    assert night.horizon.altitude_at(265.0) == 35.0
    assert night.place.elevation_m == 1200
    first, second = night.targets
    assert (first.catalogue_name, first.order.frames_in_turn) == ("IC 405", False)
    assert (second.catalogue_name, second.kind) == ("NGC 5457", "galaxy")
    assert second.size_arcmin is not None
    assert 20 < second.size_arcmin < 30
    assert [frame.filter for frame in second.order.frames] == ["L", "R", "G", "B"]


@pytest.mark.parametrize(
    ("written", "ra_deg", "dec_deg"),
    [
        ("name: Some field\n    ra: 14h03m12.6s\n    dec: +54d20m57s", 210.8025, 54.349167),
        ("name: Some field\n    ra: 14:03:12.6\n    dec: -5:30:00", 210.8025, -5.5),
        ("name: Some field\n    ra: 210.8025\n    dec: -0.25", 210.8025, -0.25),
    ],
)
def test_coordinates_in_every_notation(tmp_path, written, ra_deg, dec_deg):
    shutil.copytree(CONFIGS, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "orders/first-night.yaml"
    path.write_text(path.read_text().replace("name: M 101", written))
    target = load_night(path).targets[1]
    assert target.position_at(0.0) == pytest.approx((ra_deg, dec_deg), abs=1e-6)
    assert (target.catalogue_name, target.kind, target.size_arcmin) == (None, None, None)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    shutil.copytree(CONFIGS, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "orders/first-night.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert load_night(path).orders == load_night(CONFIGS / "orders/first-night.yaml").orders
