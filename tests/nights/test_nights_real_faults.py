"""Faults of devices in a night that is run: what is refused, and what reaches a process."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path

import pytest

from midwatch.clock import ScaledClock
from midwatch.errors import InputError
from midwatch.orders.injected import ScheduledFault
from midwatch.runtime.files import read_faults, write_faults
from support.interface_bench import RIG, Said, midwatch, write_night
from support.pace import LIMIT_S, speed


def asked_to_run(folder: Path, *words: str, rig: str = RIG) -> Said:
    orders = write_night(folder, rig=rig)
    return midwatch(
        "run", orders, "--out", folder / "night", "--speed", 60, "--start", "2027-03-10T18:42Z",
        *words,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("--fault", "broker-restart@21:00+1m"), "broker-restart is no fault of a simulated"),
        (("--fault", "camera-driver-crash@21:00"), "rehearse it"),
        (("--fault", "disk-full@21:00"), "midwatch rehearse takes the same words"),
        (("--fault", "rain@21:00"), "rain needs a weather; the rig Bench has none"),
        (("--fault", "mount-stalls@21:00", "--no-devices"), "who hosts the devices"),
    ],
)
def test_what_the_devices_of_a_run_cannot_show_is_refused(
    tmp_path: Path, words: tuple[str, ...], wanted: str
) -> None:
    said = asked_to_run(tmp_path, *words)
    assert said.code == 2
    assert wanted in said.err
    assert not (tmp_path / "night" / "journal.sqlite").exists()


def test_a_driver_of_real_hardware_shows_no_faults(tmp_path: Path) -> None:
    rig = RIG.replace(
        "devices:",
        "devices:\n  guider: {driver: midwatch-guider}\n  weather: {driver: midwatch-guider}",
    )
    for fault, why in (
        ("guide-star-lost", "no device of the rig Bench can show it"),
        ("rain", "the weather of the rig Bench is driven by midwatch-guider"),
    ):
        said = asked_to_run(tmp_path, "--fault", f"{fault}@21:00+1m", rig=rig)
        assert said.code == 2
        assert why in said.err


def test_faults_reach_a_process_as_they_were_asked_for(tmp_path: Path) -> None:
    faults = (
        ScheduledFault(1804705320.0, 1804705440.0, "mount-stalls"),
        ScheduledFault(1804705320.5, math.inf, "camera-unplugged"),
        ScheduledFault(1804705400.0, 1804705400.0, "tracking-lost"),
    )
    path = tmp_path / "faults.json"
    write_faults(path, faults)
    assert read_faults(path) == faults
    path.write_text('[{"fault": "bad-weather", "from_utc_s": 1.0, "until_utc_s": null}]')
    with pytest.raises(InputError, match="no fault is called bad-weather"):
        read_faults(path)
    path.write_text("[]]")
    with pytest.raises(InputError, match="not the faults of a run"):
        read_faults(path)


def test_a_device_process_shows_its_faults_and_ends_with_its_device_at_rest(
    tmp_path: Path, broker: int
) -> None:
    """Hosted as `run` does it; asked by the command line from outside."""
    import signal
    import subprocess
    import sys

    orders = write_night(tmp_path)
    start = datetime(2027, 3, 10, 20, tzinfo=UTC)
    pace = speed(20.0)
    clock = ScaledClock(start, pace)
    common = ["--orders", str(orders), "--port", str(broker), "--speed", str(pace), "--start",
              start.isoformat(), "--anchor", str(clock.anchor_unix_s)]  # fmt: skip
    path = tmp_path / "faults.json"
    stalled = ScheduledFault(start.timestamp() - 60.0, math.inf, "slew-refused")
    write_faults(path, (stalled, ScheduledFault(start.timestamp(), math.inf, "camera-unplugged")))
    host = subprocess.Popen(
        [sys.executable, "-m", "midwatch.interface.cli", "device", "mount", *common,
         "--faults", str(path), "--spool", str(tmp_path / "spool")],
        stderr=subprocess.DEVNULL,
    )  # fmt: skip

    def mount(*words: str) -> Said:
        return midwatch("device", "mount", *words, *common, "--timeout", str(LIMIT_S * pace))

    try:
        assert mount("do", "connect").code == 0
        assert mount("do", "unpark").code == 0
        refused = mount("do", "slew", "ra_deg=200", "dec_deg=60")
        assert refused.code == 3
        assert "slew" in refused.err
        host.send_signal(signal.SIGTERM)
        assert host.wait(timeout=LIMIT_S) == 0
    finally:
        host.kill()
        host.wait()
    kept = json.loads((tmp_path / "spool" / "keepsakes" / "mount.keepsake").read_bytes())
    assert kept["mount"]["parked"]
