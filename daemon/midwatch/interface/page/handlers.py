"""Answers the requests that a browser makes."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field

import structlog
from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError
from pydantic import JsonValue

from midwatch.bus import CommandError, OversizedError
from midwatch.clock import Clock
from midwatch.errors import InputError, UnreachableError
from midwatch.interface.page.accounts import SESSION_S, Gate, NotYetError, OrderAnswer, Session
from midwatch.interface.page.document import (
    COLOURS,
    Colours,
    asset,
    night_page,
    sections_alone,
    sign_in_page,
)
from midwatch.interface.page.forms import LONGEST_WHO, LONGEST_WHY, order_forms
from midwatch.interface.page.journal_reader import Outlook
from midwatch.interface.page.page_bus import BusSide
from midwatch.interface.page.page_facts import Watched
from midwatch.interface.page.page_options import PageSettings
from midwatch.interface.page.page_sections import sections
from midwatch.interface.page.request_guards import Spoke, guards
from midwatch.sequencer.night import Change

_log = structlog.get_logger(__name__)

# All that travels over the bus fits into this, and so do the orders of a night.
_LONGEST_BODY = 320_000
_TAKEN = {
    "pause": "Paused: the frame under way is finished, then nothing new begins until resume",
    "resume": "Resumed",
    "skip": "Skipped for tonight",
    "close": "Closing: stopping, parking, closing, warming up",
}


@dataclass
class Page:
    """Everything that answers need.

    Attributes:
        title: site and rig.
        names: of the rig's devices.
        clock: of the night.
    """

    settings: PageSettings
    gate: Gate
    outlook: Outlook
    bus: BusSide
    title: str
    names: tuple[str, ...]
    heartbeat_s: float
    clock: Clock
    # One look at a time: a request in between waits, and no crowd can fill the machine.
    _looking: asyncio.Lock = field(default_factory=asyncio.Lock)

    def application(self, spoke: Spoke = lambda _: None) -> web.Application:
        """Return what serves the page; `spoke` is called for every connection with a request."""
        guarding = guards(self.gate, self.settings.host, self.settings.names, spoke)
        application = web.Application(
            middlewares=guarding,  # type: ignore[arg-type]
            client_max_size=_LONGEST_BODY,
        )
        application.add_routes(
            [
                web.get("/", self._page),
                web.get("/now", self._now),
                web.get("/frame.png", self._frame),
                web.get("/favicon.ico", self._nothing),
                web.get("/page.css", self._asset),
                web.get("/page.js", self._asset),
                web.post("/sign-in", self._sign_in),
                web.post("/sign-out", self._sign_out),
                web.post("/colours", self._colours),
                web.post("/order/{command}", self._order),
            ]
        )
        return application

    # Looking -----------------------------------------------------------------------------------

    async def _watched(self) -> Watched:
        now_s = self.clock.unix_s()
        async with self._looking:
            night = await asyncio.to_thread(self.outlook.glance, now_s)
        return Watched(
            at_utc_s=now_s,
            night=night,
            names=self.names,
            devices=self.bus.devices(),
            heartbeat_s=self.heartbeat_s,
            connected=self.bus.connected,
            turned_away=self.gate.turned_away,
            timezone=self.outlook.timezone,
        )

    async def _page(self, request: web.Request) -> web.Response:
        session = self._session(request)
        if session is None:
            return self._asking(request, None)
        watched = await self._watched()
        outcome, session.outcome = session.outcome, None
        documents = self.outlook.documents()
        targets = [] if watched.night is None else [t.name for t in watched.night.targets]
        forms = order_forms(session, targets, documents.files[documents.main])
        session.orders, session.why = None, ""
        page = night_page(self.title, _colours_of(request), outcome, sections(watched), forms)
        return web.Response(text=page, content_type="text/html")

    async def _now(self, request: web.Request) -> web.Response:
        if self._session(request) is None:
            raise web.HTTPForbidden(text="sign in again\n")
        watched = await self._watched()
        return web.Response(text=sections_alone(sections(watched)), content_type="text/html")

    async def _frame(self, request: web.Request) -> web.Response:
        if self._session(request) is None:
            raise web.HTTPForbidden(text="sign in again\n")
        watched = await self._watched()
        frame = None if watched.night is None else watched.night.frame
        if frame is None:
            raise web.HTTPNotFound(text="no frame has a picture yet\n")
        try:
            picture = await asyncio.to_thread(frame.preview.read_bytes)
        except OSError:
            raise web.HTTPNotFound(text="the picture is gone\n") from None
        return web.Response(body=picture, content_type="image/png")

    async def _asset(self, request: web.Request) -> web.Response:
        name = request.path.removeprefix("/")
        kind = "text/css" if name.endswith(".css") else "text/javascript"
        # The address holds the digest of the content: it never changes under one address.
        lasting = {"Cache-Control": "private, max-age=86400"}
        return web.Response(body=asset(name), content_type=kind, charset="utf-8", headers=lasting)

    async def _nothing(self, _request: web.Request) -> web.Response:
        """Browsers ask for a picture next to the title; there is none."""
        return web.Response(status=204)

    # Coming and going --------------------------------------------------------------------------

    @property
    def _cookie(self) -> str:
        # Cookies do not know ports: two rigs on one machine must not take each other's.
        return f"midwatch-{self.settings.port}"

    def _session(self, request: web.Request) -> Session | None:
        return self.gate.session(request.cookies.get(self._cookie))

    def _asking(
        self, request: web.Request, outcome: OrderAnswer | None, status: int = 200
    ) -> web.Response:
        accounts = list(self.settings.passwords)
        # A user of this machine knows its accounts; no one else is shown any.
        known = accounts[0] if self.settings.made is not None else ""
        page = sign_in_page(self.title, _colours_of(request), outcome, known)
        return web.Response(text=page, content_type="text/html", status=status)

    async def _sign_in(self, request: web.Request) -> web.Response:
        form = await _form(request)
        address = request.remote or ""
        try:
            token = self.gate.sign_in(form.get("account", ""), form.get("password", ""), address)
        except NotYetError as error:
            outcome = OrderAnswer(False, (f"{str(error).capitalize()}.",))
            answer = self._asking(request, outcome, 429)
            answer.headers["Retry-After"] = f"{error.wait_s:.0f}"
            return answer
        if token is None:
            return self._asking(
                request, OrderAnswer(False, ("Account or password is wrong.",)), 403
            )
        _log.info("page_signed_in", account=form["account"], address=address)
        answer = _elsewhere()
        answer.set_cookie(
            self._cookie,
            token,
            max_age=int(SESSION_S),
            httponly=True,
            samesite="Strict",
            secure=self.settings.tls is not None,
        )
        return answer

    async def _sign_out(self, request: web.Request) -> web.Response:
        self.gate.sign_out(request.cookies.get(self._cookie))
        answer = _elsewhere()
        answer.del_cookie(self._cookie)
        return answer

    async def _colours(self, request: web.Request) -> web.Response:
        wanted = (await _form(request)).get("colours", "")
        answer = _elsewhere()
        if wanted in COLOURS:
            answer.set_cookie("midwatch-colours", wanted, max_age=31536000, samesite="Strict")
        return answer

    # Orders by hand ----------------------------------------------------------------------------

    async def _order(self, request: web.Request) -> web.Response:
        session = self._session(request)
        if session is None:
            self.gate.refuse("not_signed_in")
            outcome = OrderAnswer(False, ("Nothing was done: sign in first.",))
            return self._asking(request, outcome, 403)
        form = await _form(request)
        if form.get("form", "") != session.form_token:
            self.gate.refuse("wrong_form")
            raise web.HTTPForbidden(text="this form is not of your session; load the page again\n")
        command = request.match_info["command"]
        if command not in (*_TAKEN, "change", "check"):
            raise web.HTTPNotFound(text="there is no such order\n")
        session.why = _line(form.get("why", ""))[:LONGEST_WHY]
        session.outcome = await self._obey(session, command, form)
        if session.outcome.good:
            session.why = ""
        return _elsewhere()

    async def _obey(self, session: Session, command: str, form: Mapping[str, str]) -> OrderAnswer:
        who = _name(form.get("who", ""), session.account)
        if command in ("check", "change"):
            return await self._change(session, command, form, who)
        if not session.why:
            return OrderAnswer(False, ("Nothing was done: say why, for the journal.",))
        if command == "close" and form.get("sure") != "yes":
            return OrderAnswer(False, ("Nothing was done: say that this night is to end.",))
        target = form.get("target") or None
        args: dict[str, JsonValue] = {"who": who, "why": session.why}
        if command == "skip":
            args["target"] = target
        refusal = await self._give(command, args)
        what = f"{target}: " if command == "skip" and target else ""
        return refusal or OrderAnswer(True, (f"{what}{_TAKEN[command]}.",))

    async def _change(
        self, session: Session, command: str, form: Mapping[str, str], who: str
    ) -> OrderAnswer:
        text = (form.get("file") or form.get("orders", "")).replace("\r\n", "\n")
        session.orders = text
        if command == "change" and not session.why:
            return OrderAnswer(False, ("Nothing was done: say why, for the journal.",))
        try:
            documents, change = await asyncio.to_thread(self.outlook.try_orders, text, who)
        except InputError as error:
            said = ("These orders cannot hold; the old ones go on:", *str(error).splitlines())
            return OrderAnswer(False, said)
        if command == "check":
            return OrderAnswer(
                True, ("Nothing is wrong with these orders. Against those of now:", *_news(change))
            )
        args: dict[str, JsonValue] = {"who": who, "why": session.why}
        args["documents"] = documents.model_dump(mode="json")
        refusal = await self._give("change", args)
        if refusal is not None:
            return refusal
        session.orders = None
        return OrderAnswer(
            True, ("The new orders hold; what was taken still counts:", *_news(change))
        )

    async def _give(self, command: str, args: Mapping[str, JsonValue]) -> OrderAnswer | None:
        """Hand an order to the daemon; returns why it was not taken, or None."""
        try:
            await self.bus.give(command, args)
        except CommandError as error:
            said = (f"The daemon refused {command}:", *error.message.splitlines())
            return OrderAnswer(False, said)
        except OversizedError as error:
            return OrderAnswer(False, (f"This is too long: {error}",))
        except UnreachableError as error:
            return OrderAnswer(
                False, (f"{command} was not answered, and may have come late: {error}.",)
            )
        _log.info("page_order", command=command, who=args["who"], why=args["why"])
        return None


def _news(change: Change | None) -> tuple[str, ...]:
    """What new orders change, in lines."""
    if change is None:
        return ()
    fact = change.fact
    lines = [
        f"{word}: {', '.join(names)}"
        for word, names in (
            ("added", fact.added),
            ("removed", fact.removed),
            ("changed", fact.changed),
        )
        if names
    ]
    notes = [
        f"not tonight: {target.target.name}: {target.note}"
        for target in change.plan.targets
        if target.note
    ]
    return (*(lines or ["no target differs"]), *notes)


async def _form(request: web.Request) -> dict[str, str]:
    """The text fields of what was posted; of a file, its text."""
    fields: dict[str, str] = {}
    try:
        for name, value in (await request.post()).items():
            if isinstance(value, str):
                fields.setdefault(name, value)
            elif isinstance(value, web.FileField):
                fields[name] = value.file.read().decode("utf-8-sig")
    except (ValueError, LookupError, AssertionError, HttpProcessingError):
        # No form, or text in another encoding: nothing that this page sends.
        raise web.HTTPBadRequest(text="this is no form of this page, or no UTF-8\n") from None
    return fields


def _line(text: str) -> str:
    """Text on one line, without anything that a terminal would obey."""
    return "".join(char if char.isprintable() else " " for char in text).strip()


def _name(given: str, account: str) -> str:
    """Who the journal names: always with the account, whatever was typed."""
    name = _line(given)[:LONGEST_WHO]
    return f"{account} (page)" if name in ("", account) else f"{name} (page, account {account})"


def _colours_of(request: web.Request) -> Colours:
    return "night" if request.cookies.get("midwatch-colours") == "night" else "plain"


def _elsewhere() -> web.Response:
    """Go and look: a page that is loaded again gives no order twice."""
    return web.Response(status=303, headers={"Location": "/"})
