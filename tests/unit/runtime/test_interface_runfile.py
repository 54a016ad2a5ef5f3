"""How others find the bus of a running night, and what they are told when there is none."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from midwatch.bus import BrokerSettings
from midwatch.clock import ScaledClock, WallClock
from midwatch.errors import InputError, UnreachableError
from midwatch.runtime.files import Running, announced, broker_of, find_running, load_orders
from support.interface_bench import RIG, midwatch, write_night


def running(pid: int) -> Running:
    return Running(
        pid=pid,
        site="Test Field",
        rig="Bench",
        broker=BrokerSettings(port=18830),
        devices=("mount",),
        heartbeat_s=10.0,
    )


@pytest.fixture
def another_pid() -> int:
    """A process id that is no longer in use."""
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    return done.pid


def test_a_running_night_can_be_found_while_it_runs(tmp_path: Path) -> None:
    folder = tmp_path / "night"
    with announced(folder, running(os.getpid())):
        assert find_running(folder, None) == running(os.getpid())
    with pytest.raises(UnreachableError, match="no night is running in"):
        find_running(folder, None)


def test_a_night_whose_process_died_is_not_running(tmp_path: Path, another_pid: int) -> None:
    (tmp_path / "running.json").write_text(running(another_pid).model_dump_json())
    with pytest.raises(UnreachableError, match="start it again:\n  midwatch run ORDERS --out"):
        find_running(tmp_path, None)
    with announced(tmp_path, running(os.getpid())):
        assert find_running(tmp_path, None).pid == os.getpid()


def test_status_says_what_became_of_a_night_that_was_killed(
    tmp_path: Path, another_pid: int
) -> None:
    dead = running(another_pid).model_copy(
        update={"timezone": "Europe/Vienna", "again": "midwatch run my.yaml --out nights"}
    )
    (tmp_path / "running.json").write_text(dead.model_dump_json())
    journal = tmp_path / "journal.sqlite"
    journal.touch()
    at_s = datetime(2027, 3, 10, 21, 41, 5, tzinfo=UTC).timestamp()  # 22:41:05 in Vienna
    os.utime(journal, (at_s, at_s))
    for command in ("status", "close"):
        said = midwatch(command, "--out", tmp_path)
        assert said.code == 3
        assert f"Bench at Test Field in {tmp_path} has ended without closing" in said.err
        assert f"process {another_pid} was killed" in said.err
        assert "journal was last written at 22:41:05 on 2027-03-10" in said.err
        assert said.err.rstrip().endswith("start it again:\n  midwatch run my.yaml --out nights")


def test_two_nights_never_share_a_folder(tmp_path: Path) -> None:
    (tmp_path / "running.json").write_text(running(os.getppid()).model_dump_json())
    with (
        pytest.raises(InputError, match=f"process {os.getppid()} already runs a night here"),
        announced(tmp_path, running(os.getpid())),
    ):
        pass


def test_the_clock_of_a_scaled_night_is_shared() -> None:
    start = datetime(2027, 3, 10, 18, tzinfo=UTC)
    anchor = WallClock().unix_s()
    scaled = running(1).model_copy(update={"start": start, "speed": 100.0, "anchor_unix_s": anchor})
    other = ScaledClock(start, 100.0, anchor)
    assert abs((scaled.clock().now() - other.now()).total_seconds()) < 10.0
    assert isinstance(running(1).clock(), WallClock)


def test_no_secret_is_written(tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("open-sesame\n")
    seen = running(os.getpid()).model_copy(
        update={"broker": BrokerSettings(username="rig", password_file=secret)}
    )
    with announced(tmp_path / "night", seen):
        assert "open-sesame" not in (tmp_path / "night" / "running.json").read_text()


def test_a_rig_without_a_broker_gets_a_private_one(tmp_path: Path) -> None:
    night = load_orders(write_night(tmp_path))
    assert broker_of(night.rig.bus, night.paths["rig"]).embedded


def test_files_of_the_broker_lie_next_to_the_rig(tmp_path: Path) -> None:
    bus = (
        "bus: {host: hut.example, port: 8883, username: rig, password_file: pw, ca_file: ca.pem}\n"
    )
    night = load_orders(write_night(tmp_path, rig=RIG + bus))
    broker = broker_of(night.rig.bus, night.paths["rig"])
    assert (broker.host, broker.port, broker.username) == ("hut.example", 8883, "rig")
    assert broker.password_file == tmp_path / "pw"
    assert broker.tls is not None
    assert broker.tls.ca_file == tmp_path / "ca.pem"


@pytest.mark.parametrize("command", ["status", "pause", "resume", "skip", "close"])
def test_without_a_night_orders_by_hand_end_with_three(tmp_path: Path, command: str) -> None:
    said = midwatch(command, "--out", tmp_path)
    assert said.code == 3
    assert f"no night is running in {tmp_path}" in said.err


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["mount", "spin"], "write nothing (to host it), 'state', or 'do COMMAND key=value ...'"),
        (["dome"], "has no device 'dome'; it has mount, camera, focuser"),
        (["mount", "do", "fly"], "a mount does not take 'fly'; it takes connect"),
        (
            ["mount", "do", "slew", "ra_deg=400", "dec_deg=1"],
            "ra_deg: '400' is not allowed: Input should be less than 360",
        ),
        (["mount", "do", "slew", "ra_deg"], "'ra_deg' is no argument; write key=value"),
        (["mount", "--speed", "10"], "--speed needs --start"),
    ],
)
def test_words_for_a_device_are_checked_before_it_is_asked(
    tmp_path: Path, words: list[str], expected: str
) -> None:
    orders = write_night(tmp_path)
    said = midwatch("device", *words, "--orders", orders, "--port", "1")
    assert said.code == 2
    assert expected in said.err


def test_a_device_needs_to_know_its_rig_and_its_broker(tmp_path: Path) -> None:
    assert "--orders ORDERS, or --rig and --site" in midwatch("device", "mount").err
    orders = write_night(tmp_path)
    said = midwatch("device", "mount", "--orders", orders)
    assert said.code == 2
    assert "say where it is: --host and --port" in said.err
    by_parts = ("--rig", tmp_path / "rig.yaml", "--site", tmp_path / "site.yaml")
    assert "say where it is" in midwatch("device", "mount", *by_parts).err


def test_a_run_at_another_speed_needs_a_start(tmp_path: Path) -> None:
    said = midwatch("run", write_night(tmp_path), "--speed", "60", "--out", tmp_path)
    assert said.code == 2
    assert "--speed needs --start" in said.err


def test_every_night_goes_by_the_calendar(tmp_path: Path) -> None:
    said = midwatch("run", write_night(tmp_path), "--every-night", "--out", tmp_path)
    assert said.code == 2
    assert "evening: is for one night only; leave it out" in said.err
