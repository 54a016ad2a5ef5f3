"""The broker of a night dies, then stands still beyond the lease; then its daemon sleeps."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest

from midwatch.journal.facts import NightBegan
from support.nights_bench import Mosquitto, Onlooker, StandingNight, wait_for

pytestmark = pytest.mark.real_time


def parked_unheard(night: StandingNight) -> bool:
    """Whether the mount is parked, by what it keeps for its next driver: nobody hears it."""
    kept = night.out / "spool" / "keepsakes" / "mount.keepsake"
    return bool(json.loads(kept.read_bytes())["mount"]["parked"])


@pytest.mark.timeout(3600)  # a night in scaled time
def test_a_night_outlives_its_broker_a_broker_that_stands_still_and_its_own_sleep(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    night = StandingNight(tmp_path, mosquitto.port, count=6)
    onlooker = Onlooker(mosquitto.port)

    def more() -> None:
        filed = night.filed()
        wait_for(lambda: night.filed() > filed, "the night goes on")

    try:
        night.start()
        wait_for(lambda: night.exposing(1), "a frame and an exposure under way")
        mosquitto.kill()  # with everything that it had kept
        mosquitto.start()
        more()
        assert not onlooker.safe()  # a short gap closes nothing
        assert not onlooker.events["mount made_safe"]

        mosquitto.send(signal.SIGSTOP)
        try:
            # The simulated roof waits: the switch that tells it of the mount works over the bus.
            wait_for(lambda: parked_unheard(night), "the mount parks by itself")
        finally:
            mosquitto.send(signal.SIGCONT)
        # The first frame may be one that waited in the spool.
        wait_for(lambda: night.exposing(1) and not onlooker.safe(), "the night goes on")

        seen = onlooker.events.copy()
        os.kill(night.process.pid, signal.SIGSTOP)
        try:
            wait_for(onlooker.safe, f"the devices make themselves safe: {onlooker.states}")
        finally:
            os.kill(night.process.pid, signal.SIGCONT)
        for device in ("mount", "roof"):
            assert onlooker.events[f"{device} made_safe"] == seen[f"{device} made_safe"] + 1
        more()

        wait_for(night.finished, "the night ends")
        wait_for(onlooker.safe, f"the rig is at rest: {onlooker.states}")
        assert night.problems(onlooker) == []
        assert len(night.processes) == len(night.facts(NightBegan)) == 1
        assert night.summary()["targets"][0]["accepted"] == 6
        assert onlooker.limits_held == 0
    finally:
        night.end()
        onlooker.close()
