"""What the check finds in rig and orders before any device is touched, with file and line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from midwatch.runtime.files import using_rig
from support.interface_bench import ORDERS, RIG, SITE, midwatch, write_night


def found(folder: Path, *words: str, **files: str) -> tuple[int, str]:
    said = midwatch("check", write_night(folder, **files), "--out", folder / "data", *words)
    return said.code, said.out + said.err


def line_of(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


def test_options_that_a_driver_does_not_take_are_found_without_the_rig(tmp_path: Path) -> None:
    rig = RIG.replace("best_position", "bst_position")
    code, said = found(tmp_path, rig=rig)
    assert code == 2
    place = f"rig.yaml:{line_of(rig, 'bst_position')}: devices.focuser.options.bst_position"
    assert place in said


def test_a_guide_camera_without_a_guider_is_found(tmp_path: Path) -> None:
    rig = RIG.replace("devices:\n", "devices:\n  guide_camera: {driver: simulated-guide-camera}\n")
    assert "guider:" not in rig
    code, said = found(tmp_path, rig=rig)
    assert code == 2
    assert f"rig.yaml:{line_of(rig, 'guide_camera')}: devices.guide_camera" in said
    assert "the rig has no guider" in said


@pytest.mark.parametrize("key", ["max_humidity_percent", "max_cloud_percent"])
def test_a_share_meant_as_percent_is_found(tmp_path: Path, key: str) -> None:
    site = SITE + f"safety: {{{key}: 0.94}}\n"
    code, said = found(tmp_path, site=site)
    assert code == 2
    assert f"site.yaml:{line_of(site, key)}: safety.{key}" in said
    assert "write percent: 94" in said
    assert found(tmp_path, site=site.replace("0.94", "94"))[0] == 0


def test_a_gain_beyond_the_cameras_is_found_in_rig_and_orders(tmp_path: Path) -> None:
    orders = ORDERS.replace("count:", "gain: 5000, count:")
    code, said = found(tmp_path, orders=orders)
    assert code == 2
    assert f"orders.yaml:{line_of(orders, '5000')}: targets[0].frames[0].gain" in said
    assert "the camera's gain goes to 600" in said
    assert found(tmp_path, orders=orders.replace("5000", "600"))[0] == 0


def test_hours_that_may_be_meant_for_degrees_are_pointed_at(tmp_path: Path) -> None:
    name = next(line for line in ORDERS.splitlines() if "name:" in line)
    orders = ORDERS.replace(name, "  - name: My cloud\n    ra: 9.5\n    dec: 60")
    code, said = found(tmp_path, orders=orders)
    assert code == 0
    assert "orders.yaml:" in said
    assert "9.5 is read as degrees, which are 0 h 38 min" in said
    assert "write 09h30m" in said
    assert "is read as degrees" not in found(tmp_path, orders=orders.replace("9.5", "142.5"))[1]


def test_a_rotation_that_nothing_turns_is_said_before_dark(tmp_path: Path) -> None:
    orders = ORDERS.replace("    frames", "    rotation_deg: 35\n    frames")
    said = found(tmp_path, orders=orders)[1]
    assert "turn the camera by hand to position angle 35 deg" in said
    assert "before dark" in said
    rig = RIG.replace("devices:\n", "devices:\n  rotator: {driver: simulated-rotator}\n")
    assert "by hand" not in found(tmp_path, orders=orders, rig=rig)[1]


def test_devices_of_a_running_night_are_not_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "runtime"))
    orders = write_night(tmp_path)
    other = os.getppid()
    with using_rig(tmp_path / "rig.yaml", tmp_path / "night"):
        # Another process than this one: its parent is alive for sure.
        mark = next((tmp_path / "runtime").rglob("rig-*.json"))
        mark.write_text(mark.read_text().replace(str(os.getpid()), str(other)))
        said = midwatch("check", orders, "--rig", "--out", tmp_path / "data")
        assert said.code == 3
        assert f"process {other} runs a night with them" in said.out
        assert f"midwatch status --out {tmp_path}/night" in said.out
        assert "answers" not in said.out
        assert midwatch("check", orders, "--out", tmp_path / "data").code == 0
    said = midwatch("check", orders, "--rig", "--out", tmp_path / "data")
    assert "mount" in said.out and "answers; at rest" in said.out
