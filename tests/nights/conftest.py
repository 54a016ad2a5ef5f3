"""A real Mosquitto for nights in real processes."""

from __future__ import annotations

import getpass
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from contract.bus_benches import MOSQUITTO, free_port, listening
from nights_bench import wait_for


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """The port of a Mosquitto that lives as long as the test."""
    assert MOSQUITTO.exists(), "install the package mosquitto"
    port = free_port()
    config = tmp_path / "mosquitto.conf"
    config.write_text(
        f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nallow_anonymous true\n"
        "set_tcp_nodelay true\n"
    )
    process = subprocess.Popen([MOSQUITTO, "-c", config], stderr=subprocess.DEVNULL)
    try:
        wait_for(lambda: listening(port), 10, "mosquitto listens")
        yield port
    finally:
        process.kill()
        process.wait()
