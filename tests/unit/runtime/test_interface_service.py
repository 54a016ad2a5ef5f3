"""What a service manager is told: the datagrams of sd_notify(3) on a real socket."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from midwatch.clock import WallClock
from midwatch.runtime.service import watched_service
from midwatch.runtime.service.service_manager import notify_service, watchdog_s


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(address)
        listening.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", address)
        yield listening


def heard(manager: socket.socket) -> list[str]:
    messages = []
    while True:
        try:
            messages.append(manager.recv(4096).decode())
        except BlockingIOError:
            return messages


def test_a_state_arrives_as_it_was_sent(manager: socket.socket) -> None:
    assert notify_service("READY=1")
    assert heard(manager) == ["READY=1"]


def test_an_abstract_address_begins_with_an_at_sign(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"midwatch-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name}")
        listening.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
        assert notify_service("STOPPING=1")
        assert heard(listening) == ["STOPPING=1"]


def test_without_a_manager_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify_service("READY=1")


def test_a_manager_that_is_gone_does_no_harm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    assert not notify_service("READY=1")


@pytest.mark.parametrize(
    ("limit_us", "pid", "expected"),
    [
        ("120000000", None, 60.0),
        ("120000000", "self", 60.0),
        ("120000000", "1", None),  # meant for another process
        ("0", None, None),
        ("soon", None, None),
        (None, None, None),
    ],
)
def test_signs_of_life_come_at_half_of_the_limit(
    monkeypatch: pytest.MonkeyPatch, limit_us: str | None, pid: str | None, expected: float | None
) -> None:
    for name, value in (("WATCHDOG_USEC", limit_us), ("WATCHDOG_PID", pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, str(os.getpid()) if value == "self" else value)
    assert watchdog_s() == expected


def test_a_service_is_ready_alive_and_stopping(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "20000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)

    messages: list[str] = []

    async def main() -> None:
        async with watched_service():
            while len(messages) < 3:  # pytest ends a test that waits for ever
                await WallClock().sleep(0.01)
                messages.extend(heard(manager))

    asyncio.run(main())
    messages.extend(heard(manager))
    assert messages[0] == "READY=1"
    assert messages[-1] == "STOPPING=1"
    assert set(messages[1:-1]) == {"WATCHDOG=1"}
    assert len(messages) >= 4
