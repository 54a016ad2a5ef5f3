"""Serves the page alongside the nights of a run, so that nothing that it does can touch them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

import structlog
from aiohttp import web

from midwatch.clock import WallClock
from midwatch.interface.console import inform
from midwatch.interface.page.accounts import Gate
from midwatch.interface.page.connections import Door
from midwatch.interface.page.document import make_ready
from midwatch.interface.page.handlers import Page
from midwatch.interface.page.journal_reader import Outlook
from midwatch.interface.page.page_bus import BusSide, bus_side
from midwatch.interface.page.page_options import PageSettings
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan
from midwatch.runtime.files import Running
from midwatch.tasks import Tasks

_log = structlog.get_logger(__name__)

# A page that failed is served again after this; the pause doubles up to the longest.
_FIRST_PAUSE_S = 2.0
_LONGEST_PAUSE_S = 60.0
_LEAVE_S = 3.0
# Browsers keep connections for a while; so long that a page that looks every few seconds keeps one.
_KEEP_S = 15.0


class OperatorPage:
    """The page of a run: one for all its nights.

    Args:
        settings: where and to whom.
        night: as the files say.
        data_folder: in which the journal is.
        tasks: keeps the page's tasks; one of its own by default.
    """

    def __init__(
        self,
        settings: PageSettings,
        night: Night,
        data_folder: Path,
        tasks: Tasks | None = None,
    ) -> None:
        self._settings = settings
        self._tasks = tasks or Tasks(WallClock())
        self._gate = Gate(settings.passwords, WallClock())
        self._outlook = Outlook(data_folder, night)

    def turn_to(self, plan: NightPlan) -> None:
        """Show another night from now on."""
        self._outlook.turn_to(plan)

    def turned_away(self) -> dict[str, int]:
        """Return how much was not let in since the run began, by the reason."""
        return dict(self._gate.turned_away)

    @asynccontextmanager
    async def served(self, running: Running) -> AsyncIterator[None]:
        """Serve it while the block runs. The block does not notice how the page fares."""
        task = self._tasks.keep("page", partial(self._keep_serving, running), "go_on")
        try:
            yield
        finally:
            task.cancel("the run ends")
            await asyncio.wait({task}, timeout=_LEAVE_S)
            if self._settings.made is not None:
                with contextlib.suppress(OSError):
                    self._settings.made.unlink(missing_ok=True)

    async def _keep_serving(self, running: Running) -> None:
        clock, pause_s = WallClock(), _FIRST_PAUSE_S
        while True:
            began_s = clock.mono()
            try:
                await self._serve(running)
            except Exception as error:
                _log.error("page_down", error=repr(error), again_in_s=pause_s)
                inform(f"the page at {self._settings.url} is not served: {error}; trying again")
            if clock.mono() - began_s > _LONGEST_PAUSE_S:
                pause_s = _FIRST_PAUSE_S
            await clock.sleep(pause_s)
            pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)

    async def _serve(self, running: Running) -> None:
        door = Door(self._gate)
        await asyncio.to_thread(make_ready)
        async with bus_side(running, self._tasks) as bus:
            page = Page(
                settings=self._settings,
                gate=self._gate,
                outlook=self._outlook,
                bus=bus,
                title=f"{running.site}, {running.rig}",
                names=running.devices,
                heartbeat_s=running.heartbeat_s,
                clock=running.clock(),
            )
            runner = web.AppRunner(
                page.application(door.spoke),
                logger=door.logger,
                access_log=None,
                handle_signals=False,
                keepalive_timeout=_KEEP_S,
                shutdown_timeout=1.0,
            )
            await runner.setup()
            try:
                await self._listen(runner, door, bus)
            finally:
                door.shut()
                await runner.cleanup()

    async def _listen(self, runner: web.AppRunner, door: Door, bus: BusSide) -> None:
        """Take connections for good, as long as orders can be given."""
        settings, handler = self._settings, runner.server
        assert handler is not None
        server = await asyncio.get_running_loop().create_server(
            partial(door.opened, handler), settings.host, settings.port, ssl=settings.tls
        )
        try:
            inform(f"the page is at {settings.url}")
            if settings.made is not None:
                inform(f"  its password is in {settings.made}")
            await bus.serve()
        finally:
            server.close()
