"""Kills tasks of a running night by their names, and says which there are.

A task that waits is made to raise where it waits: what it waits for brings it an error.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from midwatch.tasks import FIRST_PAUSE_S, MOST_RESTARTS
from midwatch.virtual_time import VirtualLoop

__all__ = ["DEVICES", "MishapError", "kill", "kill_for_good", "kinds", "named", "started"]

DEVICES = (
    "mount", "camera", "focuser", "guide_camera", "guider", "filter_wheel", "weather", "roof",
    "flat_panel", "switch", "rotator",
)  # fmt: skip


class MishapError(Exception):
    """What no program expects."""


def named(name: str) -> asyncio.Task[Any] | None:
    """Return the running task whose name matches a pattern as a whole."""
    for task in sorted(asyncio.all_tasks(), key=hash):
        if re.fullmatch(name, task.get_name()) and not task.done():
            return task
    return None


async def kill(name: str, limit_s: float = 3600.0) -> bool:
    """Have a task die as soon as there is one of this name; tell whether there was one."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + limit_s
    while loop.time() < until_s:
        task = named(name)
        waits_for = None if task is None else task._fut_waiter  # type: ignore[attr-defined]
        plain = isinstance(waits_for, asyncio.Future) and not isinstance(waits_for, asyncio.Task)
        if plain and not waits_for.done():
            waits_for.set_exception(MishapError(f"a mishap in {name}"))
            return True
        await asyncio.sleep(0.25)
    return False


async def kill_for_good(name: str) -> int:
    """Have a watch die again and again until it is started no more; return how often."""
    for count in range(MOST_RESTARTS + 1):
        assert await kill(name, 10.0), f"{name} died {count} times"
        # It is left to be started again; what it would see meanwhile is not asked here.
        await asyncio.sleep(FIRST_PAUSE_S * 2.0**count + 0.5)
        if named(name) is None:
            return count + 1
    return MOST_RESTARTS + 1


@contextmanager
def started() -> Iterator[list[asyncio.Task[Any]]]:
    """Gather all tasks that are started in virtual time while the block runs."""
    tasks: list[asyncio.Task[Any]] = []
    make = VirtualLoop._make_task

    def note(self: VirtualLoop, loop: Any, coro: Any, **kwargs: Any) -> Any:
        task = make(self, loop, coro, **kwargs)
        tasks.append(task)  # it is given its name afterwards
        return task

    VirtualLoop._make_task = note  # type: ignore[assignment,method-assign]
    try:
        yield tasks
    finally:
        VirtualLoop._make_task = make  # type: ignore[method-assign]


def kinds(tasks: Iterable[asyncio.Task[Any]]) -> set[str]:
    """Return the names of tasks with devices, duties, numbers and holders left out."""
    found = set()
    for task in tasks:
        if getattr(task.get_coro(), "__qualname__", "").startswith("BaseEventLoop.shutdown_"):
            continue  # the end of the loop itself
        words = ["DEVICE" if w in DEVICES else w for w in task.get_name().split(" ")]
        kind = " ".join(words)
        kind = re.sub(r" [0-9a-f]{12}-\d+$| a\d+$", " REQUEST", kind)
        kind = re.sub(r"^(DEVICE|daemon) \w+ REQUEST$", "DEVICE COMMAND REQUEST", kind)
        kind = re.sub(r"^duty \w+$", "duty DUTY", kind)
        kind = re.sub(r"^(answers to|lease of) .*$", r"\1 HOLDER", kind)
        found.add(kind)
    return found
