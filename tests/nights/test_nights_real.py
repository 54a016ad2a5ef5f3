"""A night over a real Mosquitto, a process for each device, scaled time; its daemon is killed."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from midwatch.errors import StopError
from midwatch.journal.facts import FrameBegun, FrameFiled, FrameLost, FrameRead, NightBegan
from midwatch.journal.store import read_events
from support.nights_bench import end_session, wait_for
from support.pace import LIMIT_S, speed

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).parent.parent.parent
FASTEST = 60.0
# Heartbeats of a third of a second: a device that is late by one of them is not silent yet.
LEASE_S, HEARTBEAT_S = 120.0, 20.0
ORDERS = """\
site: {root}/configs/sites/larch-hollow.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: IC 405
    frames: [{{filter: L, exposure_s: 120, count: 8}}]
"""


class Onlooker:
    """What any MQTT client sees of the rig; paho alone, none of our code."""

    def __init__(self, port: int) -> None:
        self.states: dict[str, dict[str, Any]] = {}
        self.events: Counter[str] = Counter()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="onlooker")
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe("midwatch/#")
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        levels = message.topic.split("/")
        if levels[-1] == "state" and levels[3] != "night":
            self.states[levels[3]] = json.loads(message.payload)["state"]
        elif levels[3] == "night" and levels[4] == "event":
            facts = json.loads(message.payload)
            assert {"seq", "at", "facts"} <= set(facts)
            self.events[levels[5]] += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def started(folder: Path, start: str, speed: float) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "midwatch.interface.cli", "run", str(folder / "orders.yaml"),
               "--out", str(folder / "night"), "--speed", str(speed), "--start", start,
               "--sky", "fast", "--json"]  # fmt: skip
    with (folder / f"log-{start[11:13]}{start[14:16]}").open("w") as log:
        return subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=log, text=True, start_new_session=True
        )


def facts(folder: Path, kind: type[Any]) -> list[Any]:
    journal = folder / "night" / "journal.sqlite"
    try:
        return [e.fact for e in read_events(journal) if isinstance(e.fact, kind)]
    except (FileNotFoundError, StopError):
        return []  # it is just being made


def exposing(folder: Path) -> bool:
    """Whether two frames are filed and a third is under way."""
    begun, read = facts(folder, FrameBegun), facts(folder, FrameRead)
    return len(facts(folder, FrameFiled)) >= 2 and len(begun) > len(read)


def end(process: subprocess.Popen[str]) -> None:
    # Device processes live on after a killed daemon, in its session.
    end_session(process.pid)
    process.communicate()


@pytest.mark.timeout(3600)  # two nights in scaled time
def test_a_killed_daemon_leaves_a_safe_rig_and_the_night_is_taken_up_again(
    tmp_path: Path, broker: int
) -> None:
    rig = (ROOT / "configs/rigs/harrier.yaml").read_text()
    bus = f"bus: {{host: 127.0.0.1, port: {broker}, lease_s: {LEASE_S:g}, "
    bus += f"heartbeat_s: {HEARTBEAT_S:g}}}\n"
    (tmp_path / "rig.yaml").write_text(rig + bus)
    (tmp_path / "orders.yaml").write_text(ORDERS.format(root=ROOT))
    onlooker = Onlooker(broker)
    pace = speed(FASTEST)
    first = started(tmp_path, "2027-03-10T18:36:00Z", pace)
    second = None
    try:
        wait_for(lambda: exposing(tmp_path), "two frames and an exposure under way")
        assert not onlooker.states["mount"]["at_rest"]
        assert onlooker.states["roof"]["position"] == "open"
        os.kill(first.pid, signal.SIGKILL)
        first.communicate(timeout=LIMIT_S)

        # The lease is two seconds of real time here; parking and closing take their own.
        def safe() -> bool:
            mount, roof = onlooker.states["mount"], onlooker.states["roof"]
            camera = onlooker.states["camera"]
            return (
                mount["parked"]
                and not mount["tracking"]
                and roof["position"] == "closed"
                and camera["phase"] == "idle"
                and camera["setpoint_c"] != -10.0  # it warms up
                and onlooker.states["guider"]["phase"] in ("idle", "lost")
            )

        wait_for(safe, f"the devices did not make themselves safe: {onlooker.states}")

        second = started(tmp_path, "2027-03-10T19:15:00Z", pace)
        out, _ = second.communicate(timeout=LIMIT_S)
        assert second.returncode == 0, out[-1500:]
        summary = json.loads(out)
        check_frames(tmp_path, summary)
        assert [p["number"] for p in summary["promises"] if p["ok"] is False] == []
        assert onlooker.states["mount"]["parked"]
        assert onlooker.events["frame_graded"] >= 8
        assert onlooker.events["night_began"] == 2
    finally:
        onlooker.close()
        for process in (first, second):
            if process is not None:
                end(process)


def check_frames(folder: Path, summary: dict[str, Any]) -> None:
    """Each frame that was read out lies on the disk once, whole; none is asked for twice."""
    assert summary["targets"][0]["accepted"] == 8
    assert len(facts(folder, NightBegan)) == 2
    read = Counter(f.exposure_id for f in facts(folder, FrameRead))
    filed = {f.exposure_id: f for f in facts(folder, FrameFiled)}
    assert set(read.values()) == {1}
    assert set(read) == set(filed)
    night = folder / "night" / "2027-03-10"
    files = sorted(p.relative_to(night).as_posix() for p in night.rglob("*.fits"))
    assert files == sorted(f.path for f in filed.values())
    for fact in filed.values():
        assert hashlib.sha256((night / fact.path).read_bytes()).hexdigest() == fact.file_sha256
    begun = {f.exposure_id for f in facts(folder, FrameBegun)}
    lost = {f.exposure_id for f in facts(folder, FrameLost)}
    assert begun == set(read) | lost
