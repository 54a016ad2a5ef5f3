"""A frame whose daemon died during its exposure is neither lost, nor doubled, nor forgotten."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest
from astropy.io import fits
from paho.mqtt import subscribe

from midwatch.clock import VirtualClock
from midwatch.devices.contract.kinds import FrameRef
from midwatch.errors import StopError
from midwatch.journal.facts import Fact, FrameBegun, FrameFiled, FrameGraded, FrameRead, Notice
from midwatch.journal.store import Journal, read_events
from support.interface_bench import RIG, write_night
from support.nights_bench import end_session, wait_for
from support.pace import LIMIT_S, speed

pytestmark = pytest.mark.real_time

F = TypeVar("F", bound=Fact)

SEED = 1
FASTEST = 60.0
NIGHT, NEXT_NIGHT = "2027-03-10", "2027-03-11"
DEVICES = ("mount", "camera", "focuser", "roof")
# Shorter than what is left of a lease when its holder dies: the exposure then runs to its end.
ORDERS = """\
site: site.yaml
rig: rig.yaml
targets:
  - name: M 101
    frames: [{exposure_s: 90, count: 90}]
"""


class Rig:
    """The files of one rig, its data folder, and what a stranger sees of it on the bus."""

    def __init__(self, folder: Path, port: int) -> None:
        rig = RIG.replace("camera: {pixel", "  roof: {driver: simulated-roof}\ncamera: {pixel")
        bus = f"bus: {{host: 127.0.0.1, port: {port}, lease_s: 240, heartbeat_s: 30}}\n"
        self.orders = write_night(folder, orders=ORDERS, rig=rig + bus)
        self.out = folder / "night"
        self.port = port
        self.speed = speed(FASTEST)
        self.started: list[subprocess.Popen[bytes]] = []

    def run(self, evening: str, start: str) -> subprocess.Popen[bytes]:
        print(f"seed {SEED}, evening {evening}, from {start}")
        words = ["run", self.orders, "--evening", evening, "--out", self.out, "--sky", "fast",
                 "--seed", SEED, "--speed", self.speed, "--start", start]  # fmt: skip
        command = [sys.executable, "-m", "midwatch.interface.cli", *map(str, words)]
        with (self.out.parent / f"log-{len(self.started)}").open("wb") as log:
            process = subprocess.Popen(command, stdout=log, stderr=log, start_new_session=True)
        self.started.append(process)
        return process

    def end(self) -> None:
        """Kill what is left: device processes live on in the session of a killed daemon."""
        for process in self.started:
            end_session(process.pid)
            process.wait()

    def facts(self, night: str, kind: type[F]) -> list[F]:
        try:
            events = read_events(self.out / "journal.sqlite", night)
        except (FileNotFoundError, StopError):
            return []  # it is just being made
        return [event.fact for event in events if isinstance(event.fact, kind)]

    def under_way(self, filed: int) -> str | None:
        """Return the exposure that is under way once some lights are filed."""
        begun = [f.exposure_id for f in self.facts(NIGHT, FrameBegun)]
        known = {f.exposure_id for f in self.facts(NIGHT, FrameRead)}
        if len(self.facts(NIGHT, FrameFiled)) < filed or begun[-1] in known:
            return None
        return begun[-1]

    def states(self) -> dict[str, Any]:
        """Return the devices' retained states, read by paho; empty while they change."""
        topics = [f"midwatch/test-field/bench/{device}/state" for device in DEVICES]
        messages = subscribe.simple(topics, msg_count=len(topics), port=self.port)
        found = {m.topic.split("/")[3]: json.loads(m.payload)["state"] for m in messages}
        return found if len(found) == len(DEVICES) else {}

    def rest_with_frame(self, exposure_id: str) -> bool:
        """Whether every device is at rest and the spool holds that exposure, and only that."""
        states = self.states()
        spooled = [json.loads(p.read_bytes())["exposure_id"] for p in self.spool("*.json")]
        return (
            bool(states)
            and all(state["at_rest"] for state in states.values())
            and states["roof"]["position"] == "closed"
            and states["mount"]["parked"]
            and len(states["camera"]["waiting"]) == 1
            and spooled == [exposure_id]
        )

    def spool(self, pattern: str) -> list[Path]:
        return sorted((self.out / "spool").rglob(pattern))


def killed_in_exposure(rig: Rig, process: subprocess.Popen[bytes], filed: int) -> str:
    """Kill the daemon, not its devices, in the middle of an exposure; wait until all is safe."""
    exposure_id: str = wait_for(lambda: rig.under_way(filed), f"{filed} lights and one more")
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    wait_for(lambda: rig.rest_with_frame(exposure_id), "all at rest, the frame in the spool")
    assert exposure_id not in {f.exposure_id for f in rig.facts(NIGHT, FrameRead)}
    return exposure_id


def collected(rig: Rig, exposure_id: str) -> None:
    """Wait for the frame: one file, which holds the very pixels that the camera read out."""
    wait_for(lambda: any(f.exposure_id == exposure_id for f in rig.facts(NIGHT, FrameGraded)),
             "the frame in the spool is filed and graded")  # fmt: skip
    (read,) = [f for f in rig.facts(NIGHT, FrameRead) if f.exposure_id == exposure_id]
    (filed,) = [f for f in rig.facts(NIGHT, FrameFiled) if f.exposure_id == exposure_id]
    (graded,) = [f for f in rig.facts(NIGHT, FrameGraded) if f.exposure_id == exposure_id]
    assert graded.grade == "accepted"
    with fits.open(rig.out / NIGHT / filed.path, checksum=True) as parts:
        pixels = parts[0].data.astype("<u2").tobytes()
    assert hashlib.sha256(pixels).hexdigest() == read.sha256


@pytest.fixture
def rig(tmp_path: Path, broker: int) -> Iterator[Rig]:
    rig = Rig(tmp_path, broker)
    yield rig
    rig.end()


@pytest.mark.timeout(3600)  # three starts in scaled time
def test_a_night_that_is_taken_up_again_fetches_its_frames(rig: Rig) -> None:
    """Killed before the frame was read out, and killed just after that was journaled."""
    first = killed_in_exposure(rig, rig.run(NIGHT, "2027-03-10T18:42:00Z"), 2)

    process = rig.run(NIGHT, "2027-03-10T19:30:00Z")
    collected(rig, first)
    second = killed_in_exposure(rig, process, len(rig.facts(NIGHT, FrameFiled)) + 2)

    (description,) = rig.spool("*.json")
    ref = FrameRef.model_validate_json(description.read_bytes())
    read_at = ref.began_at + timedelta(seconds=ref.exposure_s + 3.0)
    journal = Journal.open(rig.out / "journal.sqlite", VirtualClock(read_at))
    journal.begin_night(NIGHT)
    journal.append(
        FrameRead(
            exposure_id=second,
            sha256=ref.sha256,
            began_utc_s=ref.began_at.timestamp(),
            exposure_s=ref.exposure_s,
        )
    )
    journal.close()
    process = rig.run(NIGHT, "2027-03-10T20:30:00Z")
    collected(rig, second)
    process.send_signal(signal.SIGTERM)
    process.wait(timeout=LIMIT_S)

    summary = json.loads((rig.out / NIGHT / "night.json").read_bytes())
    assert summary["restarts"] == 2
    assert [p["number"] for p in summary["promises"] if p["ok"] is False] == []
    assert process.returncode == 0
    filed = sorted(f.path for f in rig.facts(NIGHT, FrameFiled))
    files = sorted((rig.out / NIGHT).rglob("*.fits"))
    assert [path.relative_to(rig.out / NIGHT).as_posix() for path in files] == filed
    assert rig.spool("*.bin") == []


def test_another_night_leaves_a_frame_that_it_does_not_know_where_it_is(rig: Rig) -> None:
    exposure_id = killed_in_exposure(rig, rig.run(NIGHT, "2027-03-10T18:42:00Z"), 1)
    pixels = [path.read_bytes() for path in rig.spool("*.bin")]

    process = rig.run(NEXT_NIGHT, "2027-03-11T18:42:00Z")
    seen = wait_for(lambda: [n.message for n in rig.facts(NEXT_NIGHT, Notice)
                             if NIGHT in n.message], "it is spoken of")  # fmt: skip
    assert len(seen) == 1
    assert f"a light of 90 s of the night of {NIGHT} was never filed" in seen[0]
    process.send_signal(signal.SIGTERM)
    process.wait(timeout=LIMIT_S)
    assert process.returncode == 0
    assert [path.read_bytes() for path in rig.spool("*.bin")] == pixels
    (description,) = rig.spool("*.json")
    assert json.loads(description.read_bytes())["exposure_id"] == exposure_id
