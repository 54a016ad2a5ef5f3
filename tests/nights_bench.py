"""What tests of nights in real processes share: waiting in real time."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any


def wait_for(look: Callable[[], Any], limit_s: float, what: str) -> Any:
    """Return the first true value of `look`; real seconds, since real processes are watched."""
    ends = time.monotonic() + limit_s
    while time.monotonic() < ends:
        if found := look():
            return found
        time.sleep(0.2)
    raise AssertionError(f"{what}: not within {limit_s} s")


def end_session(leader: int) -> None:
    """Kill all that a process which leads a session has started, in whichever group, and it."""
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            # After the name in brackets: state, parent, group, session (proc(5)).
            fields = status.read_text().rpartition(")")[2].split()
            if int(fields[3]) == leader:
                os.kill(int(status.parent.name), signal.SIGKILL)
