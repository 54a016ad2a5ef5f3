"""Nights on disks that fill up, and orders that cannot be carried out: what a tired person reads.

The disks are small ones in memory, as only root may mount them.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from astropy.io import fits

from midwatch.journal.facts import FaultBegan, FaultEnded, FrameBegun, RemedyTried
from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from support.grids import thinned
from support.interface_bench import ORDERS, RIG, write_night
from support.pace import LIMIT_S

SEED = 3
MEGABYTE = 1_000_000
root_only = pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small disk")
# With a roof, so that "closed" means something.
ROOFED = RIG.replace("camera: {pixel", "  roof: {driver: simulated-roof}\ncamera: {pixel")


def process(*words: object) -> subprocess.CompletedProcess[str]:
    print(f"seed {SEED}")
    command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=LIMIT_S)


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mount a disk with the options given (such as its size); it goes with the test."""
    mounted: list[Path] = []

    def mount(options: str) -> Path:
        place = tmp_path / f"disk-{len(mounted)}"
        place.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", options, "midwatch-test", str(place)],
            capture_output=True,
            check=False,
        )
        if done.returncode != 0:
            pytest.skip("this machine does not allow mounting")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", str(place)], check=True)


def whole_files(folder: Path) -> list[str]:
    """Return every FITS file, each read by astropy with its checksums; warnings are errors."""
    found = sorted(folder.rglob("*.fits"))
    for path in found:
        with fits.open(path, checksum=True) as parts:
            parts.verify("exception")
            assert parts[0].data.size > 0
    return [path.relative_to(folder).as_posix() for path in found]


# A disk that fills up ----------------------------------------------------------------------------


@root_only
def test_a_disk_that_is_full_stops_frames_and_cuts_none_short(
    tmp_path: Path, disk: Callable[[str], Path]
) -> None:
    """Room for four frames of twelve: the rest of a short night is not exposed into nothing."""
    out = disk("size=6m") / "night"
    summer = ORDERS.replace("2027-03-10", "2027-06-20")
    orders = write_night(tmp_path, rig=ROOFED, orders=summer)
    done = process("rehearse", orders, "--seed", SEED, "--json", "--out", out)
    assert done.returncode == 0, done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    assert "No space left on device; make room on the disk" in done.stderr

    summary = json.loads(done.stdout)
    folder = out / summary["night"]
    filed = sorted(f["path"] for f in summary["frames"] if f["path"] is not None)
    assert whole_files(folder) == filed
    assert summary["targets"][0]["accepted"] == len(filed) == 4
    # One frame found no room. It waits in the spool, and none is exposed after it.
    assert [f["state"] for f in summary["frames"]] == ["graded"] * 4 + ["read"]
    (fault,) = summary["faults"]
    assert (fault["device"], fault["ended"]) == ("disk", None)
    promises = {p["number"]: p for p in summary["promises"]}
    # It is whole, and once; the fault that stands says what to do.
    assert promises[4]["ok"] is True
    assert "1 wait in the camera's spool for room on the disk" in promises[4]["detail"]
    assert promises[8]["ok"] is True  # parked, warm and closed all the same

    seen = process("why", "01:00", "--out", out)
    assert "disk: " in seen.stdout
    assert "make room on the disk" in seen.stdout


@root_only
def test_when_room_is_made_the_night_goes_on_without_a_gap_in_its_frames(
    tmp_path: Path, disk: Callable[[str], Path]
) -> None:
    small = disk("size=30m")
    filler = small / "filler"
    filler.write_bytes(bytes(24 * MEGABYTE))
    events: list[Event] = []

    def hear(event: Event) -> None:
        events.append(event)
        if isinstance(event.fact, RemedyTried) and event.fact.attempt == 2:
            filler.unlink()

    data = small / "night"
    data.mkdir()
    night = load_night(write_night(tmp_path, rig=ROOFED))
    print(f"seed {SEED}")
    outcome = rehearse(night, RehearsalOptions(SEED, "pixels", data, None), hear)

    began = [e for e in events if isinstance(e.fact, FaultBegan)]
    ended = [e for e in events if isinstance(e.fact, FaultEnded)]
    assert [e.fact.device for e in began if isinstance(e.fact, FaultBegan)] == ["disk"]
    assert len(ended) == 1
    between = [e for e in events if began[0].seq < e.seq < ended[0].seq]
    begun = [e for e in between if isinstance(e.fact, FrameBegun)]
    assert len(begun) == 1, "nothing is exposed before what waits has found room"
    summary = outcome.summary
    assert summary.targets[0].accepted == 12
    assert len(whole_files(outcome.folder)) == 12
    ids = [e.fact.exposure_id for e in events if isinstance(e.fact, FrameBegun)
           and e.fact.frame == "light"]  # fmt: skip
    assert len(ids) == len(set(ids)) == 12
    assert outcome.promises_kept


@root_only
@pytest.mark.parametrize("size", thinned(["120k", "260k"], 2))
def test_a_journal_that_cannot_be_written_ends_the_night_with_a_remedy(
    tmp_path: Path, disk: Callable[[str], Path], size: str
) -> None:
    """In the middle of the night, and when its summary is written."""
    out = disk(f"size={size}") / "night"
    orders = write_night(tmp_path)
    done = process("rehearse", orders, "--seed", SEED, "--sky", "fast", "--json", "--out", out)
    assert done.returncode == 3, done.stderr[-2000:]
    assert done.stdout == ""
    last = done.stderr.splitlines()[-1]
    assert last.startswith("midwatch: the journal cannot be written: database or disk is full")
    assert "make room on the disk, and start the same command again" in last
    assert "Traceback" not in done.stderr
    assert whole_files(out)
    assert not (out / "2027-03-10" / "night.json").exists()

    # Elsewhere, where there is room, the same orders are carried out.
    again = process("rehearse", orders, "--seed", SEED, "--sky", "fast", "--out", tmp_path / "big")
    assert again.returncode == 0
    assert "12 of 12 frames" in again.stdout


@root_only
@pytest.mark.parametrize("command", ["rehearse", "run"])
def test_a_disk_that_can_only_be_read(
    tmp_path: Path, disk: Callable[[str], Path], command: str
) -> None:
    done = process(command, write_night(tmp_path), "--out", disk("ro,size=1m") / "night")
    assert done.returncode == 2
    assert "the disk can only be read: give another --out folder" in done.stderr
    assert done.stdout == ""


# Orders that cannot be carried out ---------------------------------------------------------------


def test_a_file_where_the_data_folder_of_a_run_should_be(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("mine")
    done = process("run", write_night(tmp_path), "--out", blocked)
    assert done.returncode == 2
    assert "a file is where a folder is needed" in done.stderr
    assert blocked.read_text() == "mine"


@pytest.mark.parametrize("command", ["plan", "rehearse", "run"])
@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (RIG.replace("simulated-mount", "heavy-mount"),
         "rig.yaml:4: devices.mount.driver: no driver is called 'heavy-mount'; installed: "),
        (RIG.replace("  mount: {driver: simulated-mount}\n", ""),
         "rig.yaml:3: devices.mount: is missing; add "),
    ],
    ids=["unknown driver", "no mount"],
)  # fmt: skip
def test_a_rig_that_cannot_work_is_refused_before_anything_is_written(
    tmp_path: Path, command: str, rig: str, words: str
) -> None:
    out = tmp_path / "night"
    place = () if command == "plan" else ("--out", out)
    done = process(command, write_night(tmp_path, rig=rig), *place)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""
    assert not out.exists()


def test_a_target_that_never_rises_costs_the_others_nothing(tmp_path: Path) -> None:
    """At 46.2 degrees north, declination -72 culminates at 90 - 46.2 - 72 = -28 degrees."""
    south = "  - name: NGC 104\n    priority: 9\n    frames: [{exposure_s: 60, count: 5}]\n"
    orders = write_night(tmp_path, orders=ORDERS + south)
    out = tmp_path / "night"
    done = process("rehearse", orders, "--seed", SEED, "--sky", "fast", "--json", "--out", out)
    assert done.returncode == 0, done.stderr[-2000:]
    targets = {t["name"]: t for t in json.loads(done.stdout)["targets"]}
    assert targets["M 101"]["accepted"] == 12
    assert targets["NGC 104"]["accepted"] == 0
    assert targets["NGC 104"]["windows"] == []
    assert "never rises above 15 deg from latitude 46.2" in targets["NGC 104"]["note"]
    assert "-28.3 deg" in targets["NGC 104"]["note"]


def test_a_run_without_its_broker_says_where_it_looked(tmp_path: Path) -> None:
    """At sixty times the speed of time it waits half a second for the broker."""
    orders = write_night(tmp_path, rig=RIG + "bus: {host: 127.0.0.1, port: 9}\n")
    out = tmp_path / "night"
    done = process("run", orders, "--out", out, "--no-devices", "--speed", 60,
                   "--start", "2027-03-10T17:40Z")  # fmt: skip
    assert done.returncode == 3
    assert "no broker at 127.0.0.1:9" in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert not (out / "running.json").exists()
