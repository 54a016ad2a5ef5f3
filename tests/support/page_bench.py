"""The operator's page on the in-process bus, with a daemon that only takes down its orders."""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from aiohttp import ClientResponse, CookieJar
from aiohttp.test_utils import TestClient, TestServer

from midwatch.bus import Caller, CommandError, MemoryBroker, MemoryBus, Request, Responder, Topics
from midwatch.clock import WallClock
from midwatch.interface.page.accounts import Gate
from midwatch.interface.page.handlers import Page
from midwatch.interface.page.journal_reader import Outlook
from midwatch.interface.page.page_bus import BusSide
from midwatch.interface.page.page_options import PageSettings
from midwatch.journal.facts import DecisionMade, FaultBegan, Notice, OperatorSpoke
from midwatch.journal.store import Journal
from midwatch.planning import plan_night
from midwatch.runtime.files import Running, load_orders
from midwatch.runtime.visit import Visit
from midwatch.sequencer.night import DAEMON, ChangeArgs, OperatorArgs
from support.by_hand import write
from support.journal_story import NIGHT, tell_night
from support.pace import LIMIT_S

# What nobody should be able to bring onto a page: it would run there.
HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'>&lt;</textarea>"
EVENING = date(2027, 3, 10)
ACCOUNT, PASSWORD = "ann", "correct horse 10"


class HandClock(WallClock):
    """A clock whose monotonic seconds can be moved on, and which stands at an instant if told."""

    def __init__(self, at_utc_s: float | None = None) -> None:
        self.at_utc_s = at_utc_s
        self.ahead_s = 0.0

    def unix_s(self) -> float:
        return super().unix_s() if self.at_utc_s is None else self.at_utc_s

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
async def page_bench(
    orders: Path, data_folder: Path, at_utc_s: float | None = None
) -> AsyncIterator[Bench]:
    """Serve the page of a night, with a daemon that takes orders."""
    night, clock, broker = load_orders(orders), HandClock(at_utc_s), MemoryBroker()
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


def interrupted_story(data_folder: Path) -> float:
    """Write the journal of a told night that is not over, with frames; returns its last moment.

    A fault stands, and a hostile person has spoken.
    """
    seen, clock = tell_night(data_folder / "told.sqlite", data_folder / NIGHT)
    events = list(seen.events(NIGHT))
    seen.close()
    last = [i for i, event in enumerate(events) if isinstance(event.fact, FaultBegan)][-1]
    journal = Journal.open(data_folder / "journal.sqlite", clock, durable=False)
    journal.begin_night(NIGHT)
    for event in events[: last + 1]:
        clock.utc_s = event.at_utc_s
        journal.append(event.fact)
    for fact in (
        OperatorSpoke(command="pause", who=HOSTILE, why=HOSTILE),
        Notice(message=HOSTILE),
        FaultBegan(fault_id="x", device=HOSTILE, fault=HOSTILE, message=HOSTILE),
        DecisionMade(duty=HOSTILE, args={"target": HOSTILE}, rule="x", reason=HOSTILE,
                     ruled_out=((HOSTILE, HOSTILE),)),
    ):  # fmt: skip
        journal.append(fact)
    journal.close()
    return clock.utc_s


@contextmanager
def served_story(folder: Path) -> Iterator[Bench]:
    """Serve the page of `interrupted_story` from a thread, for a browser in this one."""
    folder.mkdir(parents=True, exist_ok=True)
    at_utc_s = interrupted_story(folder)
    orders = write(folder / "orders")
    ready: queue.Queue[Bench] = queue.Queue()
    end = threading.Event()

    async def main() -> None:
        async with page_bench(orders, folder, at_utc_s) as bench:
            ready.put(bench)
            await asyncio.to_thread(end.wait)

    thread = threading.Thread(target=lambda: asyncio.run(main()))
    thread.start()
    try:
        yield ready.get(timeout=LIMIT_S)
    finally:
        end.set()
        thread.join(LIMIT_S)
