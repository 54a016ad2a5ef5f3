"""The check: every mistake is named with its place and what to write instead."""

from __future__ import annotations

import os
import subprocess
from collections import namedtuple
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from midwatch.clock import VirtualClock
from midwatch.planning import plan_night
from midwatch.runtime.files import load_orders
from midwatch.runtime.real import clock_findings, disk_findings
from midwatch.runtime.real.machine_check import bytes_wanted
from support.interface_bench import ORDERS, RIG, SITE, midwatch, write_night

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({"orders": ORDERS + "weather: fine\n"}, ["orders.yaml:8", "weather"]),
        ({"orders": ORDERS.replace("count:", "cuont:")}, ["orders.yaml:7", "cuont", "count"]),
        (
            {"orders": ORDERS.replace("    frames", "    ra: 400\n    dec: 10\n    frames")},
            ["orders.yaml:6", "ra", "400"],
        ),
        (
            {"orders": ORDERS.replace("    frames", "    ra: 05h35m17s\n    dec: 95\n    frames")},
            ["orders.yaml:7", "dec"],
        ),
        ({"site": SITE.replace("46.2", "146.2")}, ["site.yaml:2", "latitude_deg", "90"]),
        ({"site": SITE.replace("Europe/Vienna", "Europe/Wien")}, ["site.yaml:4", "timezone"]),
        ({"site": SITE.replace("horizon: 10", "horizon: trees.txt")}, ["site.yaml:5", "trees.txt"]),
        (
            {"rig": RIG.replace("simulated-mount", "simulated-muont")},
            ["rig.yaml:4", "simulated-muont", "simulated-mount"],
        ),
        ({"rig": RIG.replace("  focuser", "  focusser")}, ["rig.yaml:8", "focusser", "focuser"]),
    ],
)
def test_mistakes_in_files_are_named(
    tmp_path: Path, files: dict[str, str], words: list[str]
) -> None:
    said = midwatch("check", write_night(tmp_path, **files))
    assert said.code == 2
    for word in words:
        assert word in said.err
    assert said.out == ""


def test_every_problem_of_every_file_is_reported_at_once(tmp_path: Path) -> None:
    orders = write_night(
        tmp_path,
        orders=ORDERS.replace("count: 12", "count: 0"),
        site=SITE.replace("46.2", "146.2"),
        rig=RIG.replace("420", "-420"),
    )
    said = midwatch("check", orders)
    assert said.code == 2
    for name in ("orders.yaml:", "site.yaml:", "rig.yaml:"):
        assert name in said.err


def test_a_horizon_file_that_cannot_be_read(tmp_path: Path) -> None:
    orders = write_night(tmp_path, site=SITE.replace("horizon: 10", "horizon: trees.txt"))
    (tmp_path / "trees.txt").write_text("0 10\n90 high\n")
    said = midwatch("check", orders)
    assert said.code == 2
    assert "trees.txt:2" in said.err


def test_sound_orders_are_fit(tmp_path: Path) -> None:
    said = midwatch("check", write_night(tmp_path), "--out", tmp_path / "night")
    assert said.code == 0
    assert said.out.rstrip().endswith("fit for the night")
    assert not (tmp_path / "night").exists()  # to look is not to write


def test_json_is_pure(tmp_path: Path) -> None:
    said = midwatch("check", write_night(tmp_path), "--out", tmp_path, "--json")
    assert said.err == ""
    assert said.json["fit"] is True
    assert {finding["subject"] for finding in said.json["findings"]} >= {
        "site", "rig", "drivers", "plugins", "darkness", "M 101", "clock", "disk",
    }  # fmt: skip


def test_a_target_that_never_rises_is_wrong(tmp_path: Path) -> None:
    extra = "  - name: NGC 3372\n    frames: [{exposure_s: 60, count: 1}]\n"
    said = midwatch("check", write_night(tmp_path, orders=ORDERS + extra), "--json")
    assert said.code == 2
    (wrong,) = (f for f in said.json["findings"] if f["level"] == "wrong")
    assert wrong["subject"] == "NGC 3372"
    assert "it never rises above 15 deg from latitude 46.2" in wrong["text"]


def test_a_target_out_of_season_is_only_noted_next_to_others(tmp_path: Path) -> None:
    # M 8 culminates with the Sun in late December and is a summer object.
    extra = "  - name: M 8\n    frames: [{exposure_s: 60, count: 1}]\n"
    dated = ORDERS.replace("2027-03-10", "2026-12-20")
    said = midwatch("check", write_night(tmp_path, orders=dated + extra), "--json")
    assert said.code == 0
    (note,) = (f for f in said.json["findings"] if f["subject"] == "M 8")
    assert note["level"] == "note"
    alone = dated.replace("M 101", "M 8")
    assert midwatch("check", write_night(tmp_path, orders=alone)).code == 2


def test_a_data_folder_that_cannot_be_written(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    said = midwatch("check", write_night(tmp_path), "--out", blocked / "night")
    assert said.code == 2
    assert "cannot be written" in said.out
    assert "not fit: disk" in said.out


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small disk")
def test_a_disk_too_small_for_what_was_ordered(tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "midwatch-test", str(small)],
        capture_output=True,
        check=False,
    )
    if mount.returncode != 0:
        pytest.skip("this machine does not allow mounting")
    try:
        said = midwatch("check", write_night(tmp_path), "--out", small / "night")
    finally:
        subprocess.run(["umount", str(small)], check=True)
    assert said.code == 2
    assert "make room, or order less" in said.out


def test_space_is_counted_for_every_frame(tmp_path: Path) -> None:
    calibration = "calibration: {darks: 2, bias: 3}\n"
    orders = ORDERS.replace(
        "{exposure_s: 240, count: 12}",
        "{exposure_s: 240, count: 12}\n      - {exposure_s: 60, count: 4, binning: 2}",
    )
    night = load_orders(write_night(tmp_path, orders=orders + calibration))
    frame = 900 * 700 * 2
    # 12 full frames, 4 of a quarter of the pixels, 2 darks for each exposure time, 3 bias; and
    # a fifth more for everything beside the frames.
    need, assumed = bytes_wanted(night)
    assert need == pytest.approx(1.2 * frame * (12 + 4 / 4 + 2 * 2 + 3), abs=1)
    assert not assumed
    unknown = load_orders(write_night(tmp_path, rig=RIG.replace("width_px: 900, ", "")))
    assert bytes_wanted(unknown)[1]


Usage = namedtuple("Usage", "total used free")


def test_free_space_is_held_against_the_need(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    night = load_orders(write_night(tmp_path))
    need, _ = bytes_wanted(night)
    for free, level in ((need - 1, "wrong"), (need, "ok")):
        monkeypatch.setattr("shutil.disk_usage", lambda _, free=free: Usage(0, 0, free))
        assert [found for found, _ in disk_findings(night, tmp_path)] == [level]


@pytest.mark.parametrize(
    ("now", "levels", "words"),
    [
        (datetime(1970, 1, 1, tzinfo=UTC), ["wrong"], "never set"),
        (datetime(2027, 3, 10, 12, tzinfo=UTC), ["ok"], "2027-03-10 13:00:00 CET"),
        (datetime(2027, 3, 13, 12, tzinfo=UTC), ["ok", "note"], "over since 2 days"),
    ],
)
def test_the_machines_clock_is_judged(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    now: datetime,
    levels: list[str],
    words: str,
) -> None:
    monkeypatch.setattr("midwatch.runtime.real.machine_check._TIME_SERVICE", tmp_path / "none")
    night = load_orders(write_night(tmp_path))
    assert night.orders.evening is not None
    plan = plan_night(night, night.orders.evening)
    found = list(clock_findings(plan, VIENNA, VirtualClock(now)))
    assert [level for level, _ in found] == levels
    assert words in " ".join(text for _, text in found)


def test_a_clock_out_of_step_is_noted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("midwatch.runtime.real.machine_check._TIME_SERVICE", tmp_path)
    night = load_orders(write_night(tmp_path))
    assert night.orders.evening is not None
    plan = plan_night(night, night.orders.evening)
    clock = VirtualClock(datetime(2027, 3, 10, 12, tzinfo=UTC))
    assert [level for level, _ in clock_findings(plan, VIENNA, clock)] == ["note"]
    (tmp_path / "synchronized").touch()
    assert [level for level, _ in clock_findings(plan, VIENNA, clock)] == ["ok"]
