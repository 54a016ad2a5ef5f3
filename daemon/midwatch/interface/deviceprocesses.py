"""Starts one process for each device of a rig, and ends them with the night.

A daemon that is killed leaves its device processes behind, on purpose: they make their devices
safe. The next run ends them before it starts its own, so that no two drivers share hardware.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Self

import structlog

from midwatch.bus.settings import BrokerSettings
from midwatch.clock import Clock, ScaledClock, WallClock
from midwatch.orders import Night

if TYPE_CHECKING:
    from midwatch.interface.conduct import RunOptions

_log = structlog.get_logger(__name__)

# A device that is asked to end makes itself safe first: parking takes its time.
_END_S = 30.0
_LOOK_S = 0.2


class DeviceProcesses:
    """The device processes of one rig; entering starts them, leaving ends them."""

    def __init__(
        self, night: Night, broker: BrokerSettings, clock: Clock, seed: int, options: RunOptions
    ) -> None:
        self._night = night
        self._broker = broker
        self._clock = clock
        self._seed = seed
        self._options = options
        self._list = options.data_folder / "devices.json"
        self.processes: dict[str, asyncio.subprocess.Process] = {}

    async def __aenter__(self) -> Self:
        await self._end_leftovers()
        try:
            for role in self._night.rig.devices.present():
                # Standard output is the run's own, and must end with it.
                self.processes[role] = await asyncio.create_subprocess_exec(
                    *self._command(role),
                    stdin=asyncio.subprocess.DEVNULL,
                    stdout=asyncio.subprocess.DEVNULL,
                )
                _log.info("device_started", device=role, pid=self.processes[role].pid)
        except BaseException:
            await self._end()
            raise
        pids = {role: process.pid for role, process in self.processes.items()}
        self._list.write_text(json.dumps(pids), encoding="utf-8")
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._end()

    async def _end(self) -> None:
        for process in self.processes.values():
            if process.returncode is None:
                process.terminate()
        waits = [self._wait(role, process) for role, process in self.processes.items()]
        await asyncio.gather(*waits)
        self._list.unlink(missing_ok=True)

    async def _end_leftovers(self) -> None:
        """End the device processes of a run that was killed, gently first."""
        left = [pid for pid in _listed(self._list) if _hosts_a_device(pid)]
        for number in (signal.SIGTERM, signal.SIGKILL):
            for pid in left:
                _log.warning("leftover_device_ended", pid=pid, signal=number.name)
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, number)
            for _ in range(round(_END_S / _LOOK_S)):
                left = [pid for pid in left if _hosts_a_device(pid)]
                if not left:
                    return
                await WallClock().sleep(_LOOK_S)

    async def _wait(self, role: str, process: asyncio.subprocess.Process) -> None:
        try:
            async with self._clock.timeout(_END_S * getattr(self._clock, "speed", 1.0)):
                await process.wait()
        except TimeoutError:
            _log.error("device_did_not_end", device=role, pid=process.pid)
            process.kill()
            await process.wait()

    def _command(self, role: str) -> list[str]:
        command = [
            sys.executable, "-m", "midwatch.interface.cli", "device", role,
            "--orders", str(self._night.paths["orders"]),
            "--host", self._broker.host, "--port", str(self._broker.port),
            "--seed", str(self._seed), "--sky", self._options.sky_mode,
            "--spool", str(self._options.data_folder / "spool"),
        ]  # fmt: skip
        if self._broker.username is not None:
            command += ["--username", self._broker.username]
        if self._broker.password_file is not None:
            command += ["--password-file", str(self._broker.password_file)]
        if isinstance(self._clock, ScaledClock):
            start = self._clock.start.isoformat()
            command += ["--speed", str(self._clock.speed), "--start", start]
            command += ["--anchor", str(self._clock.anchor_unix_s)]
        return command


def _listed(path: Path) -> list[int]:
    """Return the processes that an earlier run noted; none if there is no note."""
    try:
        noted = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [pid for pid in noted.values() if isinstance(pid, int)]


def _hosts_a_device(pid: int) -> bool:
    """Tell whether a process lives and is one of ours: numbers are used again by others."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return b"midwatch.interface.cli" in words and b"device" in words
