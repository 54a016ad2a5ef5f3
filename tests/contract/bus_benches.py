"""The brokers on which every participant of the bus must behave in the same way."""

from __future__ import annotations

import asyncio
import getpass
import signal
import socket
import subprocess
import sys
from collections.abc import Awaitable, Callable, Coroutine
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol, TypeVar

from midwatch.bus import BrokerSettings, Bus, MemoryBroker, MemoryBus
from midwatch.bus.mqtt import EmbeddedBroker, MqttBus
from midwatch.clock import Clock, VirtualClock, WallClock
from midwatch.virtual_time import run_virtual
from support.pace import LIMIT_S

T = TypeVar("T")

MOSQUITTO = Path("/usr/sbin/mosquitto")


class Bench(Protocol):
    clock: Clock

    def run(self, main: Callable[[], Coroutine[Any, Any, T]]) -> T: ...

    def bus(self, client_id: str) -> Bus: ...

    async def stop_broker(self) -> None: ...

    async def start_broker(self) -> None: ...

    async def cut(self, bus: Any) -> None: ...

    async def killed_participant(
        self, will_topic: str, will: bytes
    ) -> Callable[[], Awaitable[None]]: ...


class MemoryBench:
    """The in-process bus in virtual time."""

    def __init__(self) -> None:
        self.clock = VirtualClock(datetime(2026, 11, 25, 12, tzinfo=UTC))
        self.broker = MemoryBroker()

    def run(self, main: Callable[[], Coroutine[Any, Any, T]]) -> T:
        return run_virtual(main)

    def bus(self, client_id: str) -> MemoryBus:
        return MemoryBus(self.broker, client_id)

    async def stop_broker(self) -> None:
        self.broker.stop()

    async def start_broker(self) -> None:
        await self.broker.start()

    async def cut(self, bus: MemoryBus) -> None:
        bus.drop()
        await bus.restore()

    async def killed_participant(
        self, will_topic: str, will: bytes
    ) -> Callable[[], Awaitable[None]]:
        bus = MemoryBus(self.broker, "victim")
        bus.set_will(will_topic, will)
        await bus.__aenter__()

        async def kill() -> None:
            bus.drop()

        return kill


VICTIM = """
import asyncio, sys
from midwatch.bus.mqtt import MqttBus
from midwatch.bus import BrokerSettings
from midwatch.clock import WallClock

async def main():
    bus = MqttBus(BrokerSettings(port=int(sys.argv[1])), "victim", WallClock())
    bus.set_will(sys.argv[2], sys.argv[3].encode())
    async with bus:
        await bus.wait_connected(float(sys.argv[4]))
        print("connected", flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


class MqttBench:
    """MQTT in real time against a real broker; subclasses start and kill it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = WallClock()
        self.port = 0

    def run(self, main: Callable[[], Coroutine[Any, Any, T]]) -> T:
        async def framed() -> T:
            async with AsyncExitStack() as stack:
                await self.start_broker()
                stack.push_async_callback(self.stop_broker)
                return await main()

        return asyncio.run(framed())

    def bus(self, client_id: str) -> MqttBus:
        settings = BrokerSettings(port=self.port, keepalive_s=5)
        return MqttBus(settings, client_id, self.clock)

    async def cut(self, bus: MqttBus) -> None:
        for link in bus._links:
            assert link._client is not None
            sock = link._client._client.socket()
            assert isinstance(sock, socket.socket)
            sock.shutdown(socket.SHUT_RDWR)
        async with self.clock.timeout(LIMIT_S):
            while bus.connected:
                await self.clock.sleep(0.01)
        await bus.wait_connected(LIMIT_S)

    async def killed_participant(
        self, will_topic: str, will: bytes
    ) -> Callable[[], Awaitable[None]]:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", VICTIM, str(self.port), will_topic, will.decode(), str(LIMIT_S),
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        assert process.stdout is not None
        while (line := await process.stdout.readline()).strip() != b"connected":
            assert line, "the participant died"

        async def kill() -> None:
            process.send_signal(signal.SIGKILL)
            await process.communicate()

        return kill

    async def start_broker(self) -> None:
        raise NotImplementedError

    async def stop_broker(self) -> None:
        raise NotImplementedError


class EmbeddedBench(MqttBench):
    """The broker that comes with the program."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.broker = EmbeddedBroker()

    async def start_broker(self) -> None:
        await self.broker.start()
        self.port = self.broker.settings.port

    async def stop_broker(self) -> None:
        await self.broker.stop()


class MosquittoBench(MqttBench):
    """A real Mosquitto, killed without warning when it stops."""

    process: subprocess.Popen[bytes] | None = None

    def config(self) -> str:
        return f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"

    async def start_broker(self) -> None:
        self.port = self.port or free_port()
        path = self.folder / "mosquitto.conf"
        # Started by root it would become another user, who cannot read the test's folder.
        path.write_text(f"user {getpass.getuser()}\n{self.config()}")
        self.process = self.launch(path)
        async with self.clock.timeout(LIMIT_S):
            while not listening(self.port):
                assert self.process.poll() is None, "mosquitto refused its configuration"
                await self.clock.sleep(0.01)

    def launch(self, config: Path) -> subprocess.Popen[bytes]:
        assert MOSQUITTO.exists(), f"{MOSQUITTO} is needed: install the package mosquitto"
        return subprocess.Popen(
            [MOSQUITTO, "-c", config], stderr=subprocess.DEVNULL, cwd=self.folder
        )

    async def stop_broker(self) -> None:
        process, self.process = self.process, None
        if process is not None:
            process.kill()
            process.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
