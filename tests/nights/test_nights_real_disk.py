"""Disks that are full or read-only: under the folder of the night, and under everything."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from midwatch.journal.facts import FaultBegan, FaultEnded, FrameFiled, FrameRead
from support.nights_bench import Mosquitto, Onlooker, StandingNight, wait_for
from support.pace import LIMIT_S

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.timeout(3600),
    pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount a small disk"),
]


class SmallDisk:
    """A file system in memory that can be filled to the last byte, and made read-only."""

    def __init__(self, at: Path, size_mb: int = 32) -> None:
        self.at = at
        at.mkdir(parents=True, exist_ok=True)
        _do("mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(at))

    def fill(self) -> None:
        with (self.at / "ballast").open("ab", buffering=0) as file:
            for size in (1 << 20, 1 << 12, 1):
                try:
                    while file.write(bytes(size)) == size:
                        pass
                except OSError:
                    continue

    def free(self) -> None:
        (self.at / "ballast").unlink()

    def lock(self) -> None:
        _do("mount", "-o", "remount,ro", str(self.at))

    def unlock(self) -> None:
        _do("mount", "-o", "remount,rw", str(self.at))

    def leave(self) -> None:
        subprocess.run(["umount", "-l", str(self.at)], check=True)


def _do(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True)


def disk_faults(night: StandingNight) -> list[FaultBegan]:
    return [f for f in night.facts(FaultBegan) if f.device == "disk"]


@pytest.fixture
def night(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[StandingNight]:
    night = StandingNight(tmp_path, mosquitto.port, count=5)
    yield night
    night.end()


@pytest.fixture
def onlooker(mosquitto: Mosquitto) -> Iterator[Onlooker]:
    onlooker = Onlooker(mosquitto.port)
    yield onlooker
    onlooker.close()


@pytest.mark.parametrize("how", ["full", "read-only"])
def test_frames_wait_while_the_disk_of_the_night_takes_nothing(
    night: StandingNight, onlooker: Onlooker, how: str
) -> None:
    disk = SmallDisk(night.night)
    spoil, mend = (disk.fill, disk.free) if how == "full" else (disk.lock, disk.unlock)
    try:
        night.start()
        wait_for(lambda: night.exposing(1), "a frame and an exposure under way")
        spoil()
        fault = wait_for(lambda: disk_faults(night), "a fault of the disk")[0]
        assert fault.fault == "write_failed"
        assert "make room on the disk; the frame waits in the camera's spool" in fault.message
        assert len(night.facts(FrameRead)) == night.filed() + 1
        mend()
        wait_for(night.finished, "the night ends")
        wait_for(onlooker.safe, "the rig is at rest")
        assert night.problems(onlooker) == []
        # On a busy machine a device may be silent for a while as well; that is another matter.
        began = [f.fault_id for f in disk_faults(night)]
        ended = [f.fault_id for f in night.facts(FaultEnded) if f.fault_id in began]
        assert began == ended == [fault.fault_id]
        assert night.summary()["targets"][0]["accepted"] == 5
        assert not list(night.night.rglob("*.partial"))
    finally:
        disk.leave()


def test_a_journal_that_cannot_be_written_closes_the_rig_and_the_night_is_taken_up_again(
    night: StandingNight, onlooker: Onlooker
) -> None:
    """Everything stands on the disk that is full: journal, frames, spool, keepsakes."""
    disk = SmallDisk(night.out)
    try:
        night.start()
        wait_for(lambda: night.exposing(1), "a frame and an exposure under way")
        disk.fill()
        code = night.process.wait(timeout=LIMIT_S)
        assert code == 3
        assert "journal cannot be written" in night.said()
        assert "make room on the disk, and start the same command again" in night.said()
        wait_for(onlooker.safe, f"the rig is at rest: {onlooker.states}")
        assert not onlooker.states["camera"]["cooler_on"]
        filed = len(night.facts(FrameFiled))
        disk.free()
        night.start()
        wait_for(night.finished, "the night ends")
        wait_for(onlooker.safe, "the rig is at rest")
        assert night.problems(onlooker) == []
        assert len(night.processes) == 2
        assert filed >= 1
        assert night.summary()["targets"][0]["accepted"] == 5
    finally:
        disk.leave()
