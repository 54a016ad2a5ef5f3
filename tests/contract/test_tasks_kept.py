"""Watches that no rehearsal has: they are killed on real sockets and real time, and work again."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from contract.bus_benches import free_port
from contract.test_page_serving import NOWHERE, status_of
from midwatch.bus import BrokerSettings, Caller, MemoryBroker, MemoryBus, Topics
from midwatch.bus.mqtt import MqttBus
from midwatch.clock import WallClock
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import Kind
from midwatch.devices.contract.kinds import MountState
from midwatch.interface.page import OperatorPage, page_settings
from midwatch.interface.page import page_server as server
from midwatch.runtime.files import load_orders
from midwatch.runtime.service import watched_service
from midwatch.tasks import Death, Tasks
from support.by_hand import write
from support.task_kills import kill, named


def kept() -> tuple[Tasks, list[Death]]:
    tasks, seen = Tasks(WallClock()), []
    tasks.hear(seen.append)
    return tasks, seen


async def until(condition: Callable[[], bool]) -> None:
    for _ in range(400):
        if condition():
            return
        await asyncio.sleep(0.05)
    raise AssertionError("it never came to that")


def test_a_connection_that_dies_over_a_broker_that_is_away_is_tried_on() -> None:
    async def main() -> None:
        tasks, seen = kept()
        bus = MqttBus(BrokerSettings(port=free_port()), "ann", WallClock(), tasks=tasks)
        async with bus:
            await until(lambda: bus._links[0].last_error != "not tried yet")
            assert await kill("bus ann")
            await until(lambda: len(seen) == 1)
            bus._links[0].last_error = "not tried yet"
            await until(lambda: bus._links[0].last_error != "not tried yet")
        assert (seen[0].name, seen[0].without) == ("bus ann", "leave")

    asyncio.run(main())


def test_the_page_goes_on_whichever_of_its_tasks_dies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "_FIRST_PAUSE_S", 0.1)
    night = load_orders(write(tmp_path / "orders"))
    settings = page_settings(None, (None, free_port()), night.paths["rig"], tmp_path / "night")

    async def main() -> None:
        tasks, seen = kept()
        page = OperatorPage(settings, night, tmp_path / "night", tasks)
        async with page.served(NOWHERE):
            assert await status_of(settings.url) == 200
            assert await kill("page hears devices")
            await until(lambda: len(seen) == 1)
            assert named("page hears devices") is not None
            assert await kill("page")
            await asyncio.sleep(0.5)
            assert await status_of(settings.url) == 200
        assert [(death.name, death.without) for death in seen] == [("page hears devices", "go_on")]

    asyncio.run(main())


def test_the_signs_of_life_go_on_after_a_mishap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "200000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)

        def beats() -> int:
            count = 0
            try:
                while True:
                    count += manager.recv(4096) == b"WATCHDOG=1"
            except BlockingIOError:
                return count

        async def main() -> None:
            tasks, seen = kept()
            async with watched_service(tasks):
                await until(lambda: beats() > 0)
                assert await kill("service watchdog")
                await until(lambda: len(seen) == 1)
                beats()
                await until(lambda: beats() > 0)

        asyncio.run(main())


def test_a_device_that_is_listened_to_alone_is_heard_again() -> None:
    async def main() -> None:
        clock, topics, broker = WallClock(), Topics("field", "bench"), MemoryBroker()
        async with MemoryBus(broker, "ann") as bus, Caller(bus, topics, clock, 1) as caller:
            mount = DeviceClient[MountState](bus, topics, caller, clock, "mount", Kind.MOUNT, 10.0)
            await mount.start()
            assert await kill("mount")
            broker.publish(topics.state("mount"), b"nonsense", retain=True)
            await until(lambda: mount.malformed > 0)
            await mount.stop()

    asyncio.run(main())
