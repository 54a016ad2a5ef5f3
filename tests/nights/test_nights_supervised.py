"""Device processes that die, hang or grow are started again."""

from __future__ import annotations

import asyncio
import json
import os
import signal
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from midwatch.bus import BrokerSettings
from midwatch.clock import WallClock
from midwatch.devices.host import RestartRule
from midwatch.orders.reading import load_night
from midwatch.runtime.real import DeviceProcesses, RunOptions
from support.pace import LIMIT_S
from support.task_kills import kill

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).parent.parent.parent
RIG = """\
name: Sparrow
optics: {focal_length_mm: 420, aperture_mm: 85}
devices:
  mount: {driver: simulated-mount}
  camera: {driver: simulated-camera}
  focuser: {driver: simulated-focuser}
camera: {pixel_um: 5.4}
focus: {start_position: 15000, step: 80}
"""
ORDERS = """\
site: {root}/configs/sites/larch-hollow.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: M 42
    frames: [{{exposure_s: 60, count: 2}}]
"""


async def supervised(
    folder: Path,
    port: int,
    rule: RestartRule,
    work: Callable[[DeviceProcesses, list[tuple[str, str]]], Awaitable[None]],
) -> None:
    (folder / "rig.yaml").write_text(RIG)
    (folder / "orders.yaml").write_text(ORDERS.format(root=ROOT))
    night = load_night(folder / "orders.yaml")
    settings = BrokerSettings(host="127.0.0.1", port=port)
    options = RunOptions(
        data_folder=folder, evening=None, seed=1, speed=1.0, start=None, bus=settings,
        spawn_devices=True, sky_mode="fast",
    )  # fmt: skip
    processes = DeviceProcesses(night, settings, WallClock(), 1, options, rule)
    seen: list[tuple[str, str]] = []
    processes.inform = lambda role, message: seen.append((role, message))
    async with processes:
        await work(processes, seen)


async def until(condition: Callable[[], bool], what: str) -> None:
    for _ in range(round(LIMIT_S / 0.1)):
        if condition():
            return
        await asyncio.sleep(0.1)
    raise AssertionError(what)


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z"
    except OSError:
        return True


def test_a_killed_driver_is_started_again_and_a_frozen_one_on_request(
    tmp_path: Path, broker: int
) -> None:
    async def work(processes: DeviceProcesses, seen: list[tuple[str, str]]) -> None:
        first = processes.processes["mount"].pid
        camera = processes.processes["camera"].pid
        # Ctrl-C goes to the whole foreground group of a terminal; the drivers are not in it.
        assert os.getpgid(camera) != os.getpgrp()
        os.kill(first, signal.SIGKILL)
        await until(lambda: processes.processes["mount"].pid != first, "the mount is not back")
        second = processes.processes["mount"].pid
        assert seen == [
            (
                "mount",
                "the driver of the mount ended with code -9; it is started again in 1 s",
            )
        ]
        os.kill(second, signal.SIGSTOP)  # it hangs, and hears no request to end
        await processes.restart("mount")
        third = processes.processes["mount"].pid
        assert third != second
        assert gone(second)
        assert seen[-1] == ("mount", "the driver of the mount was started again")
        assert processes.processes["camera"].pid == camera
        noted = json.loads((tmp_path / "devices.json").read_text())
        assert noted == {role: process.pid for role, process in processes.processes.items()}

    asyncio.run(supervised(tmp_path, broker, RestartRule(), work))
    assert not (tmp_path / "devices.json").exists()


def test_a_minder_that_has_died_minds_its_driver_again(tmp_path: Path, broker: int) -> None:
    async def work(processes: DeviceProcesses, seen: list[tuple[str, str]]) -> None:
        first = processes.processes["mount"].pid
        assert await kill("minder of mount")
        os.kill(first, signal.SIGKILL)
        await until(lambda: processes.processes["mount"].pid != first, "the mount is not back")

    asyncio.run(supervised(tmp_path, broker, RestartRule(), work))


def test_a_driver_that_keeps_dying_is_started_more_slowly(tmp_path: Path, broker: int) -> None:
    async def work(processes: DeviceProcesses, seen: list[tuple[str, str]]) -> None:
        for turn in range(2):
            pid = processes.processes["focuser"].pid
            os.kill(pid, signal.SIGKILL)
            await until(lambda turn=turn: len(seen) > turn, "nobody was told")  # type: ignore[misc]
            await until(lambda pid=pid: processes.processes["focuser"].pid != pid, "not back")  # type: ignore[misc]
        pauses = [message.rsplit(" ", 2)[1] for _, message in seen]
        assert pauses == ["1", "2"]
        assert "keeps dying" in seen[-1][1]
        assert "keeps dying" not in seen[0][1]

    rule = RestartRule(loop_after=2, steady_s=10 * LIMIT_S)
    asyncio.run(supervised(tmp_path, broker, rule, work))


def test_a_driver_that_grows_too_large_is_started_again(
    tmp_path: Path, broker: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("midwatch.runtime.real.device_processes._MEMORY_LOOK_S", 0.5)

    async def work(processes: DeviceProcesses, seen: list[tuple[str, str]]) -> None:
        pids = {role: process.pid for role, process in processes.processes.items()}
        await until(lambda: processes.processes["mount"].pid != pids["mount"], "still there")
        assert any(role == "mount" and "has grown to" in message for role, message in seen)

    asyncio.run(supervised(tmp_path, broker, RestartRule(memory_mb=20.0), work))
