"""The command line as a person and a service manager use it: real processes, a real broker."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from midwatch.bus.mqtt import EmbeddedBroker
from midwatch.journal.store.journal import digest_of
from midwatch.reports import json_schema
from support.interface_bench import RIG, midwatch, write_night
from support.nights_bench import end_session
from support.pace import LIMIT_S, speed

ORDERS = """\
site: site.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: M 101
    frames:
      - {exposure_s: 240, count: 6}
      - {exposure_s: 60, count: 2}
"""
# A short lease, so that a device which is left alone makes itself safe while the test looks on.
HASTY = RIG + "bus: {lease_s: 120, heartbeat_s: 30}\n"
FASTEST = 100.0


def process(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=LIMIT_S)


# Rehearsals -----------------------------------------------------------------------------------


def test_a_rehearsal_leaves_what_a_night_leaves(tmp_path: Path) -> None:
    orders = write_night(tmp_path, orders=ORDERS)
    out = tmp_path / "night"
    done = process("rehearse", orders, "--sky", "fast", "--json", "--out", out)
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)  # standard output is night.json and nothing else
    jsonschema.validate(summary, json_schema())
    (target,) = summary["targets"]
    assert (target["wanted"], target["accepted"]) == (8, 8)
    assert target["integration_s"] == pytest.approx(6 * 240 + 2 * 60, abs=8.0)
    folder = out / "2027-03-10"
    assert json.loads((folder / "night.json").read_text()) == summary
    assert len(list((folder / "frames").rglob("*.fits"))) == 8
    checked = subprocess.run(
        ["sha256sum", "-c", "checksums.sha256"], cwd=folder, capture_output=True, check=False
    )
    assert checked.returncode == 0
    assert "19:" in done.stderr  # progress, in local time, went to standard error

    seen = midwatch("why", "21:00", "--out", out)
    assert seen.code == 0
    assert "decided" in seen.out
    digest = digest_of(out / "journal.sqlite", "2027-03-10")
    written = (folder / "night.json").read_text()
    assert midwatch("report", "--out", out).code == 0
    assert (folder / "night.json").read_text() == written

    again = midwatch("rehearse", orders, "--sky", "fast", "--out", out)
    assert again.code == 0
    assert "8 of 8 frames" in again.out
    assert "promises kept" in again.out
    assert digest_of(out / "journal.sqlite", "2027-03-10") == digest


def test_the_rig_is_brought_up_and_asked(tmp_path: Path) -> None:
    said = midwatch("check", write_night(tmp_path), "--rig", "--json")
    assert said.code == 0
    texts = {finding["subject"]: finding["text"] for finding in said.json["findings"]}
    for role in ("mount", "camera", "focuser"):
        assert texts[role] == f"simulated-{role}: answers; at rest"


def test_a_mount_that_contradicts_the_rig_file_is_named(tmp_path: Path) -> None:
    # The simulated mount is a German one, and says on which side of its pier it is.
    rig = RIG + "mount: {geometry: fork}\n"
    said = midwatch("check", write_night(tmp_path, rig=rig), "--rig", "--json")
    assert said.code == 2
    (bad,) = (f for f in said.json["findings"] if f["level"] == "wrong")
    assert bad["subject"] == "mount"
    assert "the rig file declares a fork mount; correct mount.geometry" in bad["text"]


def test_a_driver_that_refuses_its_options_is_named(tmp_path: Path) -> None:
    rig = RIG.replace("best_position: 15000", "colour: red")
    said = midwatch("check", write_night(tmp_path, rig=rig), "--rig", "--json")
    assert said.code == 3
    (bad,) = (f for f in said.json["findings"] if f["level"] == "unreachable")
    assert bad["subject"] == "focuser"
    assert "colour" in bad["text"]


def test_a_broker_that_is_away_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("midwatch.runtime.real.rig_check.CONNECT_S", 0.5)
    rig = RIG + "bus: {host: 127.0.0.1, port: 9}\n"
    said = midwatch("check", write_night(tmp_path, rig=rig), "--rig")
    assert said.code == 3
    assert "the broker at 127.0.0.1:9 does not answer" in said.err
    assert said.out == ""


# A running night --------------------------------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """A night at many times the speed of time, with a process for each device."""
    orders = write_night(tmp_path, orders=ORDERS, rig=HASTY)
    out = tmp_path / "night"
    words = ["run", orders, "--out", out, "--speed", speed(FASTEST), "--start", "2027-03-10T17:40Z",
             "--sky", "fast", "--json"]  # fmt: skip
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    night = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        yield night, out
    finally:
        end_session(night.pid)
        night.communicate()


def wait_for(look: Callable[[], Any], wanted: Callable[[Any], bool]) -> Any:
    ends = time.monotonic() + LIMIT_S
    while time.monotonic() < ends:
        found = look()
        if wanted(found):
            return found
        time.sleep(0.3)
    raise AssertionError(f"not within {LIMIT_S} s; last: {look()}")


def test_a_running_night_is_asked_ordered_and_closed(
    running: tuple[subprocess.Popen[str], Path], tmp_path: Path
) -> None:
    night, out = running

    def status() -> Any:
        return midwatch("status", "--out", out, "--json")

    def state() -> Any:
        said = status()
        return said.json["night"] if said.code == 0 else None

    wait_for(state, lambda s: s is not None and s["duty"] != "")
    shown = midwatch("status", "--out", out)
    assert "Bench at Test Field" in shown.out
    assert set(status().json["devices"]) >= {"mount", "camera", "focuser"}

    orders = tmp_path / "orders.yaml"
    camera = midwatch(
        "device", "camera", "state", "--orders", orders, "--spool", out / "spool", "--json"
    )
    assert camera.code == 0, camera.err
    assert camera.json["online"] is True

    # The daemon holds the lease: nobody else may command a device that needs it.
    refused = midwatch(
        "device", "mount", "do", "track", "on=true", "--orders", orders, "--spool", out / "spool"
    )
    assert refused.code == 3
    assert "does not hold the lease" in refused.err

    assert midwatch("pause", "--out", out, "--why", "a visitor").code == 0
    wait_for(state, lambda s: s["paused"])
    assert midwatch("resume", "--out", out).code == 0
    wait_for(state, lambda s: not s["paused"])
    assert midwatch("skip", "M 33", "--out", out).code == 2

    night.send_signal(signal.SIGTERM)
    stdout, stderr = night.communicate(timeout=LIMIT_S)
    summary = json.loads(stdout)
    assert summary["ended"] is not None, stderr
    assert summary["how"] is not None
    assert not (out / "running.json").exists()
    seen = [p for p in summary["promises"] if p["number"] == 8]
    assert all(promise["ok"] for promise in seen), seen
    assert midwatch("status", "--out", out).code == 3


def test_a_night_that_is_over_is_not_run(tmp_path: Path) -> None:
    out = tmp_path / "night"
    said = midwatch("run", write_night(tmp_path), "--evening", "2026-01-05", "--out", out)
    assert said.code == 2
    assert "the night of 2026-01-05 is over since" in said.err
    assert list(out.iterdir()) == []  # nothing is left behind that a later night would find


def test_a_second_signal_ends_at_once_and_the_rig_is_not_forgotten(
    running: tuple[subprocess.Popen[str], Path],
) -> None:
    night, out = running
    wait_for(lambda: (out / "running.json").exists(), bool)
    wait_for(lambda: midwatch("status", "--out", out).code, lambda code: code == 0)
    children = children_of(night.pid)
    assert len(children) >= 3  # a process for each device
    # Both at once, before the order to close can have ended the night.
    night.send_signal(signal.SIGINT)
    night.send_signal(signal.SIGTERM)
    _, stderr = night.communicate(timeout=LIMIT_S)
    assert night.returncode == 130
    assert "ending at once; the devices make themselves safe" in stderr
    assert "Traceback" not in stderr
    assert not (out / "running.json").exists()
    assert [pid for pid in children if Path(f"/proc/{pid}").exists()] == []


def children_of(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


# One device ------------------------------------------------------------------------------------


@pytest.fixture
def broker_port() -> Iterator[int]:
    loop = asyncio.new_event_loop()
    broker = EmbeddedBroker()
    loop.run_until_complete(broker.start())
    yield broker.settings.port
    loop.run_until_complete(broker.stop())
    loop.close()


def test_a_device_is_hosted_reported_and_ended(tmp_path: Path, broker_port: int) -> None:
    orders = write_night(tmp_path)
    where = ("--orders", orders, "--port", broker_port)

    def state() -> Any:
        said = midwatch("device", "focuser", "state", *where, "--json")
        return said.json if said.code == 0 else None

    assert midwatch("device", "focuser", "state", *where).code == 3
    words = ["device", "focuser", *where, "--spool", tmp_path / "spool"]
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    host = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        wait_for(state, lambda s: s is not None)
        assert midwatch("device", "focuser", "do", "connect", *where).code == 0
        moved = midwatch("device", "focuser", "do", "move", "position=15040", *where)
        assert moved.code == 0, moved.err
        assert moved.out == "focuser move: done\n"
        assert "without a daemon the device makes itself safe within 60 s" in moved.err
        assert state()["state"]["position"] == 15040
        too_far = midwatch("device", "focuser", "do", "move", "position=9999999", *where)
        assert too_far.code == 3
        assert "position" in too_far.err or "30000" in too_far.err
        host.send_signal(signal.SIGTERM)
        _, stderr = host.communicate(timeout=LIMIT_S)
        assert host.returncode == 0, stderr
        assert "Traceback" not in stderr
        gone = midwatch("device", "focuser", "state", *where, "--json")
        assert gone.code == 3 or gone.json["online"] is False
    finally:
        if host.poll() is None:
            host.kill()
            host.communicate()
