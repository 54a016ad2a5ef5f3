"""What a driver runs alongside its commands, for as long as its host serves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import structlog

from midwatch.devices.contract import Facts
from midwatch.tasks import start

__all__ = ["TASK_FAILED", "SideTasks"]

# The event that reports a task that failed, with its name (`task`) and what it said (`error`).
TASK_FAILED = "driver_task_failed"

_log = structlog.get_logger(__name__)


class SideTasks:
    """Begins what a driver wants to run: at once, or when the host serves.

    A task that fails is reported, and ends nothing else: the daemon restarts the driver once
    that spoils nothing. What comes when the host is ending is dropped.

    Args:
        device: its name on the bus.
        emit: publishes an event.
    """

    def __init__(self, device: str, emit: Callable[[str, Facts], None]) -> None:
        self._device = device
        self._emit = emit
        self._tasks: asyncio.TaskGroup | None = None
        self._waiting: list[tuple[str, Coroutine[Any, Any, None]]] = []

    def spawn(self, name: str, coroutine: Coroutine[Any, Any, None]) -> None:
        """Run a coroutine alongside everything else."""
        if self._tasks is None:
            self._waiting.append((name, coroutine))
            return
        guarded = self._guarded(name, coroutine)
        try:
            task = start(f"{self._device} {name}", guarded, self._tasks)
        except RuntimeError:  # the host is ending, and begins nothing more
            guarded.close()
            coroutine.close()
        else:
            # A task that is cancelled before its first step leaves what it was given untouched.
            task.add_done_callback(lambda _: coroutine.close())

    def start(self, tasks: asyncio.TaskGroup) -> None:
        """Begin what has been waiting, and from now on everything at once."""
        self._tasks = tasks
        waiting, self._waiting = self._waiting, []
        for name, coroutine in waiting:
            self.spawn(name, coroutine)

    def drop(self) -> None:
        """Forget what has not begun."""
        for _, coroutine in self._waiting:
            coroutine.close()
        self._waiting.clear()

    async def _guarded(self, name: str, coroutine: Coroutine[Any, Any, None]) -> None:
        try:
            await coroutine
        except Exception as error:  # a failed task of a driver must not end the host
            _log.exception("driver_task_failed", device=self._device, task=name)
            self._emit(TASK_FAILED, {"task": name, "error": str(error)})
