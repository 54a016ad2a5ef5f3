"""The operator's page on the in-process bus, with a daemon that only takes down its orders."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from aiohttp import ClientResponse, CookieJar
from aiohttp.test_utils import TestClient, TestServer

from midwatch.bus import Caller, MemoryBroker, MemoryBus, Request, Responder, Topics
from midwatch.bus.calls import CommandError
from midwatch.clock import WallClock
from midwatch.interface.hail import Visit
from midwatch.interface.loading import load_orders
from midwatch.interface.page.busside import BusSide
from midwatch.interface.page.gate import Gate
from midwatch.interface.page.handlers import Page
from midwatch.interface.page.outlook import Outlook
from midwatch.interface.page.settings import PageSettings
from midwatch.interface.runfile import Running
from midwatch.planning import plan_night
from midwatch.sequencer.operator import DAEMON, ChangeArgs, OperatorArgs

EVENING = date(2027, 3, 10)
ACCOUNT, PASSWORD = "ann", "correct horse 10"


class HandClock(WallClock):
    """The real clock, whose monotonic seconds can be moved on."""

    ahead_s = 0.0

    def mono(self) -> float:
        return super().mono() + self.ahead_s


@dataclass
class Desk:
    """Takes orders as the daemon's desk does, and keeps them."""

    taken: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    refusal: CommandError | None = None

    async def order(self, command: str, request: Request) -> dict[str, Any]:
        if self.refusal is not None:
            raise self.refusal
        model = ChangeArgs if command == "change" else OperatorArgs
        self.taken.append((command, model.model_validate(request.args).model_dump()))
        return {}


@dataclass
class Bench:
    """A page that is served, a browser without a window, and what came to the daemon."""

    client: TestClient[Any, Any]
    desk: Desk
    gate: Gate
    clock: HandClock
    page: Page

    @property
    def origin(self) -> str:
        return f"http://{self.client.host}:{self.client.port}"

    async def post(self, path: str, form: dict[str, Any], **headers: str) -> ClientResponse:
        given = {"Origin": self.origin, **headers}
        return await self.client.post(path, data=form, headers=given, allow_redirects=False)

    async def sign_in(self, password: str = PASSWORD, account: str = ACCOUNT) -> ClientResponse:
        return await self.post("/sign-in", {"account": account, "password": password})

    async def form_token(self) -> str:
        text = await (await self.client.get("/")).text()
        return text.partition('name="form" value="')[2].partition('"')[0]

    async def order(self, command: str, **form: Any) -> ClientResponse:
        form = {"form": await self.form_token(), "who": ACCOUNT, "why": "a look", **form}
        return await self.post(f"/order/{command}", form)


@asynccontextmanager
async def page_bench(orders: Path, data_folder: Path) -> AsyncIterator[Bench]:
    """Serve the page of a night, with a daemon that takes orders."""
    night, clock, broker = load_orders(orders), HandClock(), MemoryBroker()
    topics, desk = Topics(night.site.name, night.rig.name), Desk()
    settings = PageSettings("127.0.0.1", 8427, {ACCOUNT: PASSWORD})
    gate, outlook = Gate(settings.passwords, clock), Outlook(data_folder, night)
    outlook.turn_to(plan_night(night, EVENING))
    running = Running(
        pid=1, site=night.site.name, rig=night.rig.name, broker={},
        devices=tuple(night.rig.devices.present()), heartbeat_s=10.0,
    )  # fmt: skip
    bus, daemon = MemoryBus(broker, "page"), MemoryBus(broker, "daemon")
    async with bus, daemon, Caller(bus, topics, clock, 1) as caller:
        responder = asyncio.create_task(
            Responder(daemon, topics, DAEMON, clock, desk.order).run(), name="daemon"
        )
        side = BusSide(Visit(bus, topics, caller, clock), running)
        page = Page(
            settings=settings, gate=gate, outlook=outlook, bus=side, title="Test Field, Bench",
            names=running.devices, heartbeat_s=10.0, clock=clock,
        )  # fmt: skip
        server = TestServer(page.application(), host="127.0.0.1")
        async with TestClient(server, cookie_jar=CookieJar(unsafe=True)) as client:
            yield Bench(client, desk, gate, clock, page)
        responder.cancel()
        await asyncio.gather(responder, return_exceptions=True)
