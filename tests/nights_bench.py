"""What tests of nights in real processes share: waiting in real time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any


def wait_for(look: Callable[[], Any], limit_s: float, what: str) -> Any:
    """Return the first true value of `look`; real seconds, since real processes are watched."""
    ends = time.monotonic() + limit_s
    while time.monotonic() < ends:
        if found := look():
            return found
        time.sleep(0.2)
    raise AssertionError(f"{what}: not within {limit_s} s")
