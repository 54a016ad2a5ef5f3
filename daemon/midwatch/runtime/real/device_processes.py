"""Starts one process for each device of a rig, minds them, and ends them with the night.

A process that dies, or grows too large, is started again; one that keeps dying, more slowly.
A process that is asked to end (SIGTERM) makes its device safe first; one whose device is taken over
by another process (SIGUSR1) leaves it as it is. A daemon that is killed leaves its device processes
behind, on purpose: they make their devices safe. The next run ends them before it starts its own,
so that no two drivers share hardware.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Self

import structlog

from midwatch.bus import BrokerSettings
from midwatch.clock import Clock, ScaledClock, WallClock
from midwatch.devices.host import RestartRule, Supervision
from midwatch.orders.reading import Night
from midwatch.runtime.files import FAULTS_FILE, write_faults
from midwatch.tasks import Tasks, end, start

if TYPE_CHECKING:
    from midwatch.runtime.real.run_options import RunOptions

_log = structlog.get_logger(__name__)

# At the end of a night every device is at rest, and its process ends at once.
_END_S = 30.0
# A night that did not come to its end may have left devices under way: parking and closing take
# minutes. What needs longer (a camera warms slowly) is left behind, and ends when it is at rest.
_REST_S = 300.0
_LOOK_S = 0.2
# Between two looks at how large the processes are.
_MEMORY_LOOK_S = 30.0
# A process that is started again on request has this long to end by itself.
_LEAVE_S = 3.0

Inform = Callable[[str, str], None]


class DeviceProcesses:
    """The device processes of one rig; entering starts them, leaving ends them.

    Attributes:
        processes: those that run, or ran last, by role.
        inform: called with (role, what happened) when a process ended or was started again.
    """

    def __init__(
        self,
        night: Night,
        broker: BrokerSettings,
        clock: Clock,
        seed: int,
        options: RunOptions,
        rule: RestartRule | None = None,
        tasks: Tasks | None = None,
    ) -> None:
        self._night = night
        self._broker = broker
        self._clock = clock
        self._seed = seed
        self._options = options
        self._rule = rule or RestartRule()
        self._list = options.data_folder / "devices.json"
        self._faults = options.data_folder / FAULTS_FILE
        self._tasks = tasks or Tasks(clock)
        self._minders: dict[str, asyncio.Task[None]] = {}
        self._wanted_again: dict[str, asyncio.Event] = {}
        self.processes: dict[str, asyncio.subprocess.Process] = {}
        self.inform: Inform = lambda _role, _message: None

    async def __aenter__(self) -> Self:
        await self._end_leftovers()
        if self._options.faults:
            write_faults(self._faults, self._options.faults)
        try:
            for role in self._night.rig.devices.present():
                await self._start(role)
        except BaseException:
            await self._end()
            raise
        for role in self.processes:
            self._wanted_again[role] = asyncio.Event()
            self._minders[role] = self._tasks.keep(f"minder of {role}", partial(self._mind, role))
        return self

    async def __aexit__(self, error: type[BaseException] | None, *_: object) -> None:
        if error is None:
            await self._end()
        else:
            await self._leave()

    @property
    def roles(self) -> tuple[str, ...]:
        """The devices whose drivers run here."""
        return tuple(self.processes)

    async def restart(self, role: str) -> None:
        """End the driver of a device, whatever it is doing, and have it started again at once.

        Raises:
            KeyError: no process of this role is minded here.
            UnreachableError: the broker is away. A driver then is silent through no fault of its
                own, and must be left alone with its lease: a new one would wait for its end again,
                and its device would never be made safe.
        """
        again = self._wanted_again[role]
        await self._reach_broker()
        process = self.processes[role]
        again.set()
        if process.returncode is None:
            process.send_signal(signal.SIGUSR1)
            try:
                async with WallClock().timeout(_LEAVE_S):
                    await process.wait()
            except TimeoutError:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
        for _ in range(round(_END_S / _LOOK_S)):
            if self.processes[role] is not process:
                return
            await WallClock().sleep(_LOOK_S)

    async def _reach_broker(self) -> None:
        # Only nights over a broker have device processes.
        from midwatch.bus.mqtt import MqttBus

        async with MqttBus(self._broker, "midwatch-supervisor", WallClock(), seed=0) as bus:
            await bus.wait_connected(_LEAVE_S)

    async def _start(self, role: str) -> None:
        # Standard output is the run's own, and must end with it.
        self.processes[role] = await asyncio.create_subprocess_exec(
            *self._command(role),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            # Ctrl-C reaches all of a terminal's foreground group at once: the devices must live on
            # while the daemon closes the night.
            process_group=0,
        )
        _log.info("device_started", device=role, pid=self.processes[role].pid)
        pids = {name: process.pid for name, process in self.processes.items()}
        unfinished = self._list.with_suffix(".part")
        unfinished.write_text(json.dumps(pids), encoding="utf-8")
        unfinished.replace(self._list)

    async def _mind(self, role: str) -> None:
        """Start a driver again whenever it has ended, until cancelled."""
        supervision = Supervision(self._rule)
        while True:
            began_s = self._clock.mono()
            code = await self._ended(role, supervision)
            if self._wanted_again[role].is_set():
                self._wanted_again[role].clear()
                self.inform(role, f"the driver of the {role} was started again")
            else:
                verdict = supervision.ended(self._clock.mono() - began_s)
                loop = "; it keeps dying" if verdict.looping else ""
                _log.error("device_died", device=role, exit_code=code, pause_s=verdict.pause_s)
                self.inform(
                    role,
                    f"the driver of the {role} ended with code {code}{loop}; it is started again "
                    f"in {verdict.pause_s:.0f} s",
                )
                with contextlib.suppress(TimeoutError):
                    async with self._clock.timeout(verdict.pause_s):
                        await self._wanted_again[role].wait()
                self._wanted_again[role].clear()
            try:
                await self._start(role)
            except OSError as error:
                # Out of memory or processes: the next turn tries again, after a longer pause.
                _log.exception("device_not_started", device=role, error=str(error))

    async def _ended(self, role: str, supervision: Supervision) -> int:
        """Wait until a driver's process has ended; one that is too large is ended."""
        process = self.processes[role]
        while True:
            try:
                async with WallClock().timeout(_MEMORY_LOOK_S):
                    return await process.wait()
            except TimeoutError:
                pass
            memory_mb = _memory_mb(process.pid)
            if memory_mb is not None and supervision.too_large(memory_mb):
                self.inform(role, f"the driver of the {role} has grown to {memory_mb:.0f} MB")
                process.kill()

    async def _end(self) -> None:
        """End all processes, those that hang by force."""
        await self._terminate()
        for role, process in await self._wait(_END_S):
            _log.error("device_did_not_end", device=role, pid=process.pid)
            process.kill()
            await process.wait()
        self._list.unlink(missing_ok=True)

    async def _leave(self) -> None:
        """Have the devices made safe; what takes longer goes on without the daemon."""
        await self._terminate()
        under_way = await self._wait(_REST_S)
        for role, process in under_way:
            _log.warning("device_left_behind", device=role, pid=process.pid)
        if not under_way:
            self._list.unlink(missing_ok=True)

    async def _terminate(self) -> None:
        await end(*self._minders.values(), reason="the device processes end")
        for process in self.processes.values():
            if process.returncode is None:
                process.terminate()

    async def _wait(self, limit_s: float) -> list[tuple[str, asyncio.subprocess.Process]]:
        """Wait until the processes have ended, for so many real seconds; return what has not."""
        waits = [start(f"end of {role}", p.wait()) for role, p in self.processes.items()]
        if waits:
            await asyncio.wait(waits, timeout=limit_s)
        await end(*waits, reason="they had their time")
        return [pair for pair in self.processes.items() if pair[1].returncode is None]

    async def _end_leftovers(self) -> None:
        """End the device processes of a run that was killed, gently first.

        What their devices do goes on: the processes that take over find it.
        """
        left = [pid for pid in _listed(self._list) if _hosts_a_device(pid)]
        for number in (signal.SIGUSR1, signal.SIGKILL):
            for pid in left:
                _log.warning("leftover_device_ended", pid=pid, signal=number.name)
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, number)
            for _ in range(round(_LEAVE_S / _LOOK_S)):
                left = [pid for pid in left if _hosts_a_device(pid)]
                if not left:
                    return
                await WallClock().sleep(_LOOK_S)

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
        if self._options.faults:
            command += ["--faults", str(self._faults)]
        if isinstance(self._clock, ScaledClock):
            start = self._clock.start.isoformat()
            command += ["--speed", str(self._clock.speed), "--start", start]
            command += ["--anchor", str(self._clock.anchor_unix_s)]
        return command


def _memory_mb(pid: int) -> float | None:
    """Return the resident memory of a process; None where the system does not report it."""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _listed(path: Path) -> list[int]:
    """Return the processes that an earlier run noted; none if there is no note."""
    try:
        noted = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [pid for pid in noted.values() if isinstance(pid, int)]


def _hosts_a_device(pid: int) -> bool:
    """Return whether a process lives and is one of ours: numbers are used again by others."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
    return b"midwatch.interface.cli" in words and b"device" in words
