"""A broker of our own for a rig that lives on one machine.

It runs as a child process and listens on this machine alone: it knows no accounts.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from iotcore import Broker

from midwatch.bus.broker_settings import BrokerSettings
from midwatch.bus.interface import BusUnavailableError
from midwatch.tasks import start

T = TypeVar("T")

_LOOPBACK = "127.0.0.1"
_PORT_ATTEMPTS = 5
_START_S = 10.0

# Segments bound what the broker keeps per filter. 1 MB x 2 lost messages that waited for a slow
# client, the default grows beyond a gigabyte; 5 MB x 4 holds minutes of a busy rig.
_CONFIG = """\
id = 0

[router]
id = 0
max_connections = 200
max_outgoing_packet_count = 200
max_segment_size = 5242880
max_segment_count = 4

[v4.1]
name = "loopback"
listen = "{host}:{port}"
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 5000
max_payload_size = 4194304
max_inflight_count = 200
dynamic_filters = true
"""


class EmbeddedBroker:
    """A broker on the loopback interface, as an async context manager.

    Without `port` the first start finds a free one, which later starts keep; `settings` says
    which.
    """

    def __init__(self, port: int | None = None) -> None:
        self._wanted_port = port
        self._broker: Broker | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._port: int | None = None

    @property
    def settings(self) -> BrokerSettings:
        """How to reach it.

        Raises:
            RuntimeError: it was not started.
        """
        if self._port is None:
            raise RuntimeError("the embedded broker was not started")
        return BrokerSettings(host=_LOOPBACK, port=self._port)

    @property
    def running(self) -> bool:
        """Whether the child process lives."""
        return self._broker is not None and self._broker.is_running

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.stop()

    async def start(self) -> None:
        """Start it and wait until it listens.

        Raises:
            BusUnavailableError: the port is taken, or the broker does not come up.
        """
        if self.running:
            return
        fixed_port = self._wanted_port or self._port
        reason = ""
        for _ in range(_PORT_ATTEMPTS if fixed_port is None else 1):
            self._port = fixed_port or _free_port()
            try:
                await _finish_in_thread(self._start)
            except (OSError, RuntimeError) as error:
                # Another program may have taken the port between finding and using it.
                reason = str(error)
                await self.stop()
            except asyncio.CancelledError:
                await self.stop()
                raise
            else:
                return
        raise BusUnavailableError(f"the embedded broker does not start: {reason}")

    async def stop(self) -> None:
        """Stop it; stopping twice is harmless. What it retained is gone."""
        broker, self._broker = self._broker, None
        if broker is not None:
            await _finish_in_thread(broker.stop)
        folder, self._folder = self._folder, None
        if folder is not None:
            folder.cleanup()

    def _start(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="midwatch-broker-")
        config = Path(self._folder.name) / "broker.toml"
        config.write_text(_CONFIG.format(host=_LOOPBACK, port=self._port), encoding="utf-8")
        self._broker = Broker(config_path=str(config))
        self._broker.start(timeout=_START_S)


async def _finish_in_thread(work: Callable[[], T]) -> T:
    """Run `work` in a thread and never leave it half done, even when cancelled."""
    task = start("broker", asyncio.to_thread(work))
    try:
        return await asyncio.shield(task)
    except asyncio.CancelledError:
        with contextlib.suppress(Exception):
            await task
        raise


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_LOOPBACK, 0))
        port: int = probe.getsockname()[1]
        return port
