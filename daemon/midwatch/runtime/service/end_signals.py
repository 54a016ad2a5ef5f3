"""What the system asks of a process that serves a night: to end."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@contextmanager
def ending_on_signal(take: Callable[[], None]) -> Iterator[None]:
    """Call `take` from the event loop at each such signal while the block runs."""
    loop = asyncio.get_running_loop()
    for number in _SIGNALS:
        loop.add_signal_handler(number, take)
    try:
        yield
    finally:
        for number in _SIGNALS:
            loop.remove_signal_handler(number)
