"""The broker of a night dies, or stands still for longer than the lease; its daemon sleeps."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from midwatch.journal.events import FrameFiled, NightBegan
from nights_bench import Mosquitto, Onlooker, StandingNight, wait_for

pytestmark = pytest.mark.timeout(200)
LEASE_S = 120.0


@pytest.fixture
def night(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[StandingNight]:
    night = StandingNight(tmp_path, mosquitto.port, lease_s=LEASE_S, heartbeat_s=15, count=5)
    yield night
    night.end()


@pytest.fixture
def onlooker(mosquitto: Mosquitto) -> Iterator[Onlooker]:
    onlooker = Onlooker(mosquitto.port)
    yield onlooker
    onlooker.close()


def ended_well(night: StandingNight, onlooker: Onlooker) -> None:
    wait_for(night.finished, 120, "the night ends")
    wait_for(onlooker.safe, 5, f"the rig is at rest: {onlooker.states}")
    assert night.problems(onlooker) == []
    assert len(night.processes) == len(night.facts(NightBegan)) == 1
    assert night.summary()["targets"][0]["accepted"] == 5


def test_a_night_outlives_its_broker_and_then_a_broker_that_stands_still(
    night: StandingNight, mosquitto: Mosquitto, onlooker: Onlooker
) -> None:
    night.start()
    wait_for(lambda: night.exposing(1), 60, "a frame and an exposure under way")
    mosquitto.kill()  # with everything that it had kept
    mosquitto.start()
    filed = night.filed()
    wait_for(lambda: night.filed() > filed, 40, "another frame after the broker came back")
    assert not onlooker.safe()  # a short gap closes nothing
    assert not onlooker.events["mount made_safe"]

    wait_for(lambda: night.exposing(1), 40, "an exposure is under way")
    mosquitto.send(signal.SIGSTOP)
    try:
        # What the devices do meanwhile stands in their keepsakes: nobody hears them.
        wait_for(lambda: at_rest_unheard(night), 30, "the devices are safe by themselves")
    finally:
        mosquitto.send(signal.SIGCONT)
    wait_for(lambda: night.filed() > filed + 1, 60, "the night goes on")
    ended_well(night, onlooker)
    assert onlooker.limits_held == 0


def test_a_daemon_that_sleeps_finds_a_safe_rig_and_goes_on(
    night: StandingNight, onlooker: Onlooker
) -> None:
    night.start()
    wait_for(lambda: night.exposing(1), 60, "a frame and an exposure under way")
    filed = night.filed()
    os.kill(night.process.pid, signal.SIGSTOP)
    try:
        wait_for(onlooker.safe, 40, f"the devices make themselves safe: {onlooker.states}")
    finally:
        os.kill(night.process.pid, signal.SIGCONT)
    assert onlooker.events["mount made_safe"] == onlooker.events["roof made_safe"] == 1
    wait_for(lambda: len(night.facts(FrameFiled)) > filed + 1, 60, "the night goes on")
    ended_well(night, onlooker)


def at_rest_unheard(night: StandingNight) -> bool:
    """Whether the roof has closed, by what it keeps for its next driver: it waits for the mount."""
    folder = night.out / "spool" / "keepsakes"
    try:
        roof = json.loads((folder / "roof.keepsake").read_bytes())
    except (OSError, ValueError):
        return False
    return bool(roof["fraction"] == 0.0)
