"""Reports to a service manager how the daemon is, over the datagram socket that it names.

The protocol is that of sd_notify(3): newline-separated assignments, sent to the address in
NOTIFY_SOCKET. Without that variable there is no manager, and nothing is sent.
"""

from __future__ import annotations

import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial

import structlog

from midwatch.clock import WallClock
from midwatch.tasks import Tasks, end

_log = structlog.get_logger(__name__)


def notify_service(state: str) -> bool:
    """Send one state, such as ``READY=1``; return whether it was sent.

    A manager that cannot be reached is logged: the night does not depend on it.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # a socket of the abstract namespace
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            channel.connect(address)
            channel.sendall(state.encode())
    except OSError as error:
        _log.warning("service_manager_not_reached", state=state, error=str(error))
        return False
    return True


def watchdog_s() -> float | None:
    """Return how often the manager wants a sign of life: half of its limit; None for never."""
    limit_us = os.environ.get("WATCHDOG_USEC", "")
    meant_for = os.environ.get("WATCHDOG_PID", str(os.getpid()))
    if not limit_us.isdigit() or int(limit_us) == 0 or meant_for != str(os.getpid()):
        return None
    return int(limit_us) / 2e6


@asynccontextmanager
async def watched_service(tasks: Tasks | None = None) -> AsyncIterator[None]:
    """Say that the service is ready, alive while the block runs, and stopping at its end.

    The sign of life comes from the event loop that does the work, so that a loop that hangs is
    noticed. It follows the machine's clock, also in a scaled night. `tasks` keeps the task.
    """
    notify_service("READY=1")
    beats, pause_s = [], watchdog_s()
    if pause_s is not None:
        tasks = tasks or Tasks(WallClock())
        beats.append(tasks.keep("service watchdog", partial(_beat, pause_s), "go_on"))
    try:
        yield
    finally:
        await end(*beats, reason="the service ends")
        notify_service("STOPPING=1")


async def _beat(pause_s: float) -> None:
    clock = WallClock()
    while True:
        notify_service("WATCHDOG=1")
        await clock.sleep(pause_s)
