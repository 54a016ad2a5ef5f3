"""A real Mosquitto for nights in real processes."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.nights_bench import Mosquitto


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A Mosquitto that the test may kill and start."""
    broker = Mosquitto(tmp_path)
    try:
        yield broker
    finally:
        with contextlib.suppress(ProcessLookupError):
            broker.send(signal.SIGCONT)
        broker.kill()


@pytest.fixture
def broker(mosquitto: Mosquitto) -> int:
    """The port of a Mosquitto that lives as long as the test."""
    return mosquitto.port
