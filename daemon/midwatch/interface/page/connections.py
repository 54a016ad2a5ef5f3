"""Connections to the page: not too many, none that stay idle and no noise about rubbish."""

from __future__ import annotations

import asyncio
import logging

from aiohttp import web

from midwatch.interface.page.accounts import Gate

# The daemon needs its open files for itself.
_MOST_CONNECTIONS = 48
# A browser sends its request at once. Too short cuts off slow networks, too long lets a few dozen
# silent connections keep everybody else out.
_SILENT_S = 10.0


class Door:
    """Makes a protocol for each connection, or turns it away.

    Attributes:
        logger: for the web server: counts what was no request.
    """

    def __init__(self, gate: Gate) -> None:
        self.logger: logging.Logger = _Counter(gate)
        self._silent: dict[asyncio.BaseProtocol, asyncio.TimerHandle] = {}

    def opened(self, handler: web.Server) -> asyncio.BaseProtocol:
        """Return what looks after a new connection."""
        if len(handler.connections) >= _MOST_CONNECTIONS:
            return _TurnedAway()
        protocol = handler()
        loop = asyncio.get_running_loop()
        self._silent[protocol] = loop.call_later(_SILENT_S, self._send_away, protocol)
        return protocol

    def spoke(self, protocol: asyncio.BaseProtocol | None) -> None:
        """Note that a request has come by a connection."""
        if protocol is not None and (timer := self._silent.pop(protocol, None)) is not None:
            timer.cancel()

    def shut(self) -> None:
        """Wait for no request any more."""
        for timer in self._silent.values():
            timer.cancel()
        self._silent.clear()

    def _send_away(self, protocol: web.RequestHandler) -> None:
        self._silent.pop(protocol, None)
        if protocol.transport is not None:
            protocol.transport.close()


class _TurnedAway(asyncio.Protocol):
    """What one connection too many gets."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.close()


class _Counter(logging.Logger):
    """Takes what the web server has to say of bytes that are no request: counted, not logged."""

    def __init__(self, gate: Gate) -> None:
        super().__init__("page")
        self._gate = gate

    def handle(self, record: logging.LogRecord) -> None:
        """Count what the server calls an error; the rest is talk."""
        if record.levelno >= logging.ERROR:
            self._gate.refuse("malformed_request")
