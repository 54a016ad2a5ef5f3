"""Every process of a night is killed once, at a bad moment; the daemon twice."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from midwatch.journal.facts import FrameBegun, NightBegan
from support.nights_bench import Mosquitto, Onlooker, StandingNight, wait_for

pytestmark = pytest.mark.real_time


@pytest.mark.timeout(3600)  # a night in scaled time
def test_a_night_in_which_everything_is_killed_loses_and_doubles_nothing(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    night = StandingNight(tmp_path, mosquitto.port, count=5)
    onlooker = Onlooker(mosquitto.port)

    def kill(role: str) -> None:
        before = night.pids()[role]
        os.kill(before, signal.SIGKILL)
        wait_for(lambda: night.pids().get(role, before) != before, f"the {role} is back")

    def expose_on() -> None:
        begun = len(night.facts(FrameBegun))
        wait_for(lambda: len(night.facts(FrameBegun)) > begun, "the night goes on")

    def kill_daemon() -> None:
        os.kill(night.process.pid, signal.SIGKILL)
        night.process.wait()
        assert not night.finished()  # which starts it again

    try:
        night.start()
        wait_for(lambda: night.exposing(0), "an exposure is under way")
        was = onlooker.states["mount"]
        assert was["tracking"]
        kill("mount")
        # Before its link is open again it has been told nothing: it stands where it stood.
        now = onlooker.states["mount"]
        assert now["tracking"]
        assert abs(now["dec_deg"] - was["dec_deg"]) < 0.1
        assert abs(now["ra_deg"] - was["ra_deg"]) < 0.1
        expose_on()
        kill("camera")
        expose_on()
        kill_daemon()
        expose_on()
        kill("roof")
        kill("focuser")
        wait_for(lambda: night.exposing(1), "an exposure is under way")
        kill_daemon()
        wait_for(night.finished, "the night ends")
        wait_for(onlooker.safe, f"the rig is at rest: {onlooker.states}")
        assert night.problems(onlooker) == []
        assert len(night.processes) == len(night.facts(NightBegan)) == 3
        assert night.summary()["targets"][0]["accepted"] == 5
    finally:
        night.end()
        onlooker.close()
