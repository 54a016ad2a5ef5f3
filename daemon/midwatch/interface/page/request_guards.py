"""What every request has to pass before anything else looks at it."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import traceback
from collections.abc import Awaitable, Callable
from pathlib import Path

import structlog
from aiohttp import web

from midwatch.clock import WallClock
from midwatch.interface.page.accounts import Gate
from midwatch.interface.page.document import HEADERS

_log = structlog.get_logger(__name__)

# An order is answered within ten seconds, or it is not; the page never waits for longer.
_LONGEST_S = 20.0

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
Spoke = Callable[[asyncio.BaseProtocol | None], None]
Middleware = Callable[[web.Request, Handler], Awaitable[web.StreamResponse]]


def guards(gate: Gate, host: str, names: tuple[str, ...], spoke: Spoke) -> tuple[Middleware, ...]:
    """Return the guards, the outermost first.

    Args:
        gate: counts what is turned away.
        host: at which the page is served.
        names: under which it may be reached besides that, and besides addresses.
        spoke: is called for each connection by which a request has come.
    """
    ours = {host.lower(), "localhost", *(name.lower() for name in names)}
    machine = socket.gethostname().lower()
    ours |= {machine, f"{machine}.local"}

    @web.middleware
    async def limited(request: web.Request, handler: Handler) -> web.StreamResponse:
        """Answer within a time, whatever happens, and always with the same headers."""
        spoke(request.protocol)
        try:
            async with WallClock().timeout(_LONGEST_S):
                answer = await handler(request)
        except web.HTTPException as error:
            answer = error
        except TimeoutError:
            _log.warning("page_too_slow", path=request.path)
            answer = web.Response(status=503, text="this took too long; look again\n")
        except Exception as error:
            # Whatever is wrong with the page is not the night's business. What was posted may be a
            # password: of the error only its kind and place are logged.
            place = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(place.filename).name}:{place.lineno}"
            _log.error("page_failed", path=request.path, error=type(error).__name__, where=where)
            answer = web.Response(status=500, text="the page failed; the night goes on\n")
        for name, value in HEADERS.items():
            answer.headers.setdefault(name, value)
        if isinstance(answer, web.HTTPException):
            raise answer
        return answer

    @web.middleware
    async def ours_alone(request: web.Request, handler: Handler) -> web.StreamResponse:
        """Let in what was asked of us by our name, and was posted from our own page."""
        if not _is_ours(request.host, ours):
            # A name of theirs that leads to our address: their page would pass for ours.
            gate.refuse("foreign_host")
            return web.Response(status=421, text="this page is not known by that name\n")
        if request.method not in ("GET", "HEAD") and not _same_origin(request):
            gate.refuse("cross_site")
            return web.Response(status=403, text="only this page itself may send that\n")
        return await handler(request)

    return limited, ours_alone


def _is_ours(host: str, ours: set[str]) -> bool:
    name = host.lower()
    if not name.endswith("]"):
        name, colon, port = name.rpartition(":")
        if not colon:
            name = port
    with contextlib.suppress(ValueError):
        # An address cannot be made to lead elsewhere, as a name can.
        ipaddress.ip_address(name.strip("[]"))
        return True
    return name in ours


def _same_origin(request: web.Request) -> bool:
    """Whether a browser says that the request comes from a page of ours.

    Browsers send Origin with every POST; whatever sends none is no form of this page.
    """
    origin = request.headers.get("Origin", "")
    scheme, _, host = origin.partition("://")
    fetched = request.headers.get("Sec-Fetch-Site", "same-origin")
    return scheme in ("http", "https") and host == request.host and fetched == "same-origin"
