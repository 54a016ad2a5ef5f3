"""The embedded broker as a child process: where it listens, what it leaves behind."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest

from contract.bus_benches import free_port, listening
from midwatch.bus import BusUnavailableError
from midwatch.bus.mqtt import EmbeddedBroker

LISTEN = "0A"  # state of a listening socket in /proc/net/tcp, see proc(5)
LOOPBACK = "0100007F"  # 127.0.0.1 in the byte order of that file


def listeners(port: int) -> list[str]:
    """Addresses on which `port` is listened to, as the kernel tells."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    local = [row[1].split(":") for row in rows if row[3] == LISTEN]
    return [address for address, number in local if int(number, 16) == port]


def test_it_listens_on_this_machine_alone_and_keeps_its_port() -> None:
    async def main() -> None:
        broker = EmbeddedBroker()
        with pytest.raises(RuntimeError, match="not started"):
            _ = broker.settings
        async with broker:
            port = broker.settings.port
            assert listeners(port) == [LOOPBACK]
            assert broker.running
            await broker.stop()
            assert not listening(port)
            await broker.start()
            assert broker.settings.port == port
            assert listening(port)
        assert not broker.running
        assert not listening(port)

    asyncio.run(main())


def test_a_taken_port_is_an_error_that_names_it() -> None:
    async def main() -> None:
        port = free_port()
        with socket.socket() as other:
            other.bind(("127.0.0.1", port))
            other.listen()
            with pytest.raises(BusUnavailableError, match=f"does not start.*{port}"):
                await EmbeddedBroker(port).start()

    asyncio.run(main())


def test_a_cancelled_start_leaves_no_child() -> None:
    async def main() -> None:
        broker = EmbeddedBroker(free_port())
        starting = asyncio.create_task(broker.start())
        await asyncio.sleep(0.02)
        starting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await starting
        assert not broker.running
        assert not listening(broker.settings.port)

    asyncio.run(main())
