"""Starts tasks: the only place of the program that does.

A piece of work ends by itself. Who starts it (`start`) waits for it and takes its result or its
error. A watch goes on for as long as its owner: no one waits for it, so its death would pass
unseen. `Tasks.keep` says that it died, and starts it again; where a task group owns a watch,
`for_ever` makes its return an error like any other, which ends the group.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import structlog

from midwatch.clock import Clock
from midwatch.errors import StopError

__all__ = ["STEADY_S", "Death", "TaskEndedError", "Tasks", "Without", "end", "for_ever", "start"]

_log = structlog.get_logger(__name__)

T = TypeVar("T")
Make = Callable[[], Coroutine[Any, Any, None]]

# The pause before a dead watch is started again. It doubles with each death in a row, up to the
# longest. Too short: a trouble that passes within seconds uses up the restarts; too long: what the
# watch should see goes unseen for so long.
FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
# Restarts in a row after which a watch is given up; their pauses add up to half a minute. Fewer: a
# short trouble ends the night; more: the night goes on for minutes without the watch.
MOST_RESTARTS = 5
# A watch is well when it has run for so long, and its deaths before that count no more. Too short:
# one that dies at its every look is started again all night (the slowest looks each minute, a
# lease is renewed more often); too long: unrelated mishaps of one night add up.
STEADY_S = 600.0

# What a night does when a watch is given up. "leave": without it no device can be seen, or none
# commanded, so the daemon ends with an error and the device hosts make themselves safe. "close":
# the night is closed. "go_on": the night needs it for nothing, and it is never given up.
Without = Literal["leave", "close", "go_on"]


class TaskEndedError(StopError):
    """A watch returned that should have gone on."""


@dataclass(frozen=True)
class Death:
    """A watch has died: it raised an error, or it returned.

    Attributes:
        name: of its task.
        reason: what it died of, in words.
        count: deaths in a row, from 1.
        again_in_s: pause until it is started again; None if it is given up.
        without: what the night does then.
    """

    name: str
    reason: str
    count: int
    again_in_s: float | None
    without: Without


def start(
    name: str, work: Coroutine[Any, Any, T], group: asyncio.TaskGroup | None = None
) -> asyncio.Task[T]:
    """Start a piece of work that the caller waits for, or that a task group owns.

    Raises:
        RuntimeError: the group is ending; the work was not begun and must be closed.
    """
    if group is not None:
        return group.create_task(work, name=name)
    return asyncio.create_task(work, name=name)


async def end(*tasks: asyncio.Task[Any], reason: str) -> None:
    """Cancel tasks for a reason and wait until they have ended, in whatever way."""
    for task in tasks:
        task.cancel(reason)
    await asyncio.gather(*tasks, return_exceptions=True)


async def together(works: Mapping[str, Coroutine[Any, Any, T]]) -> list[T]:
    """Run pieces of work at once, each under its name, and return their results in order.

    If one fails, or the caller is cancelled, the others are ended before that is raised.
    """
    tasks = [start(name, work) for name, work in works.items()]
    try:
        return list(await asyncio.gather(*tasks))
    finally:
        await end(*tasks, reason="what was done at the same time has failed")


async def for_ever(name: str, make: Make) -> None:
    """Run a watch that a task group owns.

    Raises:
        TaskEndedError: it returned.
        Exception: whatever the watch raised.
    """
    await make()
    if _asked_to_end():
        raise asyncio.CancelledError
    raise _returned(name)


@dataclass
class _Watch:
    """A watch that is kept.

    Attributes:
        ends: it is a piece of work, which may return.
        began_s: since when it runs, monotonic seconds; infinite while it does not.
        death: its last one.
    """

    name: str
    make: Make
    without: Without
    ends: bool = False
    began_s: float = math.inf
    death: Death | None = None


class Tasks:
    """Keeps the watches of one process, each under a name of its own."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._watches: dict[str, _Watch] = {}
        self._hear: Callable[[Death], None] | None = None

    def keep(self, name: str, make: Make, without: Without = "close") -> asyncio.Task[None]:
        """Run a watch until its task is cancelled (see `end`), starting it again when it dies.

        The task ends with the watch's error when it is given up: at once after a `StopError`, else
        after `MOST_RESTARTS` in a row.

        Args:
            name: of the task.
            make: the watch, from its beginning; called again for each restart.
            without: what the night does when the watch is given up.
        """
        watch = self._watches[name] = _Watch(name, make, without)
        return start(name, self._keep(watch))

    def finish(self, name: str, make: Make) -> asyncio.Task[None]:
        """Run to its end a piece of work that no one waits for, starting it again when it dies."""
        watch = self._watches[name] = _Watch(name, make, "go_on", ends=True)
        return start(name, self._keep(watch))

    def hear(self, callback: Callable[[Death], None]) -> Callable[[], None]:
        """Have each death reported, first those of watches that are not well now.

        Returns:
            What ends that. Only one listens at a time, the last to ask.
        """
        self._hear = callback
        for watch in tuple(self._watches.values()):
            if watch.death is not None and not self.well(watch.name):
                self._inform(watch.death)

        def forget() -> None:
            if self._hear is callback:
                self._hear = None

        return forget

    def well(self, name: str) -> bool:
        """Return whether a watch has not died, or has run for a while since."""
        watch = self._watches.get(name)
        if watch is None or watch.death is None:
            return True
        return self._clock.mono() - watch.began_s >= STEADY_S

    async def _keep(self, watch: _Watch) -> None:
        try:
            while True:
                watch.began_s = self._clock.mono()
                error = await _death_of(watch)
                if error is None:
                    self._forget(watch)
                    return
                death = watch.death = self._judge(watch, error)
                watch.began_s = math.inf
                self._inform(death, error)
                if death.again_in_s is None:
                    raise error
                await self._clock.sleep(death.again_in_s)
        except BaseException:
            if _asked_to_end():
                self._forget(watch)
            raise

    def _forget(self, watch: _Watch) -> None:
        # Another may use its name by now.
        if self._watches.get(watch.name) is watch:
            del self._watches[watch.name]

    def _judge(self, watch: _Watch, error: BaseException) -> Death:
        count = 1
        if watch.death is not None and self._clock.mono() - watch.began_s < STEADY_S:
            count = watch.death.count + 1
        hopeless = isinstance(error, StopError) and not isinstance(error, TaskEndedError)
        lasting = count > MOST_RESTARTS and watch.without != "go_on"
        pause_s = min(FIRST_PAUSE_S * 2.0 ** min(count - 1, 30), LONGEST_PAUSE_S)
        again_in_s = None if hopeless or lasting else pause_s
        return Death(watch.name, _in_words(error), count, again_in_s, watch.without)

    def _inform(self, death: Death, error: BaseException | None = None) -> None:
        # The watch is started again, whether or not it can be reported: a full disk or a closed
        # terminal must not be what ends it.
        if error is not None:
            with contextlib.suppress(Exception):
                _log.error(
                    "task_died", task=death.name, count=death.count, again_in_s=death.again_in_s,
                    exc_info=error,
                )  # fmt: skip
        try:
            if self._hear is not None:
                self._hear(death)
        except Exception as refusal:
            with contextlib.suppress(Exception):
                _log.error("task_death_not_reported", task=death.name, error=repr(refusal))


async def _death_of(watch: _Watch) -> BaseException | None:
    """Run a watch and return what it died of, None if it may end and has.

    A cancellation that was asked for goes on.
    """
    try:
        await watch.make()
    except (Exception, asyncio.CancelledError) as error:
        # Without anybody asking, something that it waited for was cancelled: it died of that.
        if _asked_to_end():
            raise
        return error
    if _asked_to_end():
        # Nested task groups can swallow a cancellation before Python 3.13.
        raise asyncio.CancelledError
    return None if watch.ends else _returned(watch.name)


def _in_words(error: BaseException) -> str:
    while isinstance(error, BaseExceptionGroup) and len(error.exceptions) == 1:
        error = error.exceptions[0]
    return f"{type(error).__name__}: {error}".removesuffix(": ")


def _returned(name: str) -> TaskEndedError:
    return TaskEndedError(f"{name} returned, and should have gone on")


def _asked_to_end() -> bool:
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0
