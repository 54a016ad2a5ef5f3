"""What a device is doing: at most one exclusive command at a time, each within its time."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

import structlog
from pydantic import ValidationError

from midwatch.bus import CommandError, ErrorKind
from midwatch.clock import Clock
from midwatch.devices.contract import Command, DeviceError, Model
from midwatch.tasks import start

# How long a command that is being interrupted may take to stop. Too short puts the next motion
# on top of one that still runs down; too long delays an emergency stop behind a hung driver.
STOP_S = 15.0

Job = Callable[[], Awaitable[Model | None]]
Outcome = Model | None | Exception

_log = structlog.get_logger(__name__)


@dataclass(eq=False)
class _Running:
    name: str
    task: asyncio.Task[Outcome]
    ended_by: str | None = None


class Work:
    """Runs the jobs of one device under the rules that its commands declare.

    An exclusive command is refused while another one runs. A command that interrupts ends it
    first; if it is the same command, it waits for that one instead and shares its outcome.
    """

    def __init__(self, clock: Clock, tasks: asyncio.TaskGroup, device: str) -> None:
        self._clock = clock
        self._tasks = tasks
        self._device = device
        self._running: _Running | None = None

    async def do(self, command: Command[Any], job: Job, limit_s: float) -> Model | None:
        """Run `job` for `command` and return its answer.

        Raises:
            CommandError: busy; cancelled by an interrupting command; expired after `limit_s`;
                or device_fault with what the driver said.
            Exception: whatever else the driver raised.
        """
        name = command.command
        while (running := self._running) is not None and (command.exclusive or command.interrupts):
            if not command.interrupts:
                raise CommandError(
                    ErrorKind.BUSY, f"{running.name} is running: wait, or stop it", retryable=True
                )
            if running.name == name:
                return await self._outcome(running)
            await self._end(running, name)
        if not command.exclusive:
            return _result(await self._limited(name, job, limit_s))
        run = self._limited(name, job, limit_s)
        try:
            task = start(self._device, run, self._tasks)
        except RuntimeError:
            run.close()
            raise CommandError(
                ErrorKind.CANCELLED, f"{name} came while the driver of {self._device} was ending"
            ) from None
        self._running = started = _Running(name, task)
        task.add_done_callback(lambda _: self._clear(started))
        return await self._outcome(started)

    def _clear(self, ended: _Running) -> None:
        if self._running is ended:
            self._running = None

    async def _end(self, running: _Running, by: str) -> None:
        running.ended_by = running.ended_by or by
        running.task.cancel()
        try:
            async with self._clock.timeout(STOP_S):
                await asyncio.wait([running.task])
        except TimeoutError:
            # The driver hangs. What interrupts is meant to save the rig: it goes first.
            _log.error("command_does_not_stop", device=self._device, command=running.name)
        self._clear(running)

    async def _outcome(self, running: _Running) -> Model | None:
        await asyncio.wait([running.task])
        if running.task.cancelled():
            by = running.ended_by or "the end of the driver"
            raise CommandError(ErrorKind.CANCELLED, f"{running.name} was ended by {by}")
        return _result(running.task.result())

    async def _limited(self, name: str, job: Job, limit_s: float) -> Outcome:
        """Run a job; errors are results here, since one of them must not end the others."""
        limit = self._clock.timeout(limit_s)
        try:
            async with limit as timeout:
                return await job()
        except DeviceError as error:
            return CommandError(ErrorKind.DEVICE_FAULT, str(error), retryable=error.retryable)
        except TimeoutError as error:
            if not timeout.expired():
                return error
            return CommandError(
                ErrorKind.EXPIRED, f"{name} was not finished within {limit_s:.1f} s and was ended"
            )
        except ValidationError as error:
            # The arguments were found good before: it is the driver's own mistake.
            mistake = RuntimeError(f"the driver of {self._device} made an invalid model")
            mistake.__cause__ = error
            return mistake
        except Exception as error:
            return error


def _result(outcome: Outcome) -> Model | None:
    if isinstance(outcome, Exception):
        raise outcome
    return outcome
