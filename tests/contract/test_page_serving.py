"""The page as a guest of a run: on real sockets, whatever happens to it or to the bus."""

from __future__ import annotations

import asyncio
import logging
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

import aiohttp
import pytest

from contract.bus_benches import free_port
from midwatch.bus import BrokerSettings
from midwatch.errors import InputError
from midwatch.interface.page import OperatorPage, page_settings
from midwatch.interface.page import connections as door
from midwatch.interface.page import page_server as server
from midwatch.interface.page.page_options import PageSettings
from midwatch.orders.models import OrdersError, Page
from midwatch.runtime.files import Running, load_orders
from midwatch.runtime.visit import visitor
from support.by_hand import ROOFED, write
from support.pace import LIMIT_S

Act = Callable[[OperatorPage, PageSettings], Awaitable[None]]


NOWHERE = Running(pid=1, site="Test Field", rig="Bench", broker=BrokerSettings(port=free_port()),
                  devices=("mount", "camera"), heartbeat_s=10.0)  # fmt: skip


def serve(tmp_path: Path, act: Act) -> None:
    """Serve a page whose broker does not answer, and do something meanwhile."""
    night = load_orders(write(tmp_path / "orders"))
    settings = page_settings(None, (None, free_port()), night.paths["rig"], tmp_path / "night")

    async def main() -> None:
        page = OperatorPage(settings, night, tmp_path / "night")
        async with page.served(NOWHERE):
            await act(page, settings)

    asyncio.run(main())


async def status_of(url: str) -> int:
    async with aiohttp.ClientSession() as client:
        for _ in range(round(LIMIT_S / 0.05)):
            try:
                async with client.get(url) as answer:
                    return answer.status
            except aiohttp.ClientConnectionError:
                await asyncio.sleep(0.05)
    return 0


def test_it_is_served_while_the_broker_is_away_and_says_so(tmp_path: Path) -> None:
    async def act(page: OperatorPage, settings: PageSettings) -> None:
        assert await status_of(settings.url) == 200
        assert settings.made is not None
        password = settings.made.read_text().strip()
        headers = {"Origin": settings.url.rstrip("/")}
        jar = aiohttp.CookieJar(unsafe=True)
        async with aiohttp.ClientSession(cookie_jar=jar, headers=headers) as client:
            form = {"account": visitor(), "password": password}
            async with client.post(f"{settings.url}sign-in", data=form) as answer:
                text = await answer.text()
        assert "The bus cannot be reached" in text
        assert "✕ not on the bus" in text
        assert "No night is planned yet" in text

    serve(tmp_path, act)


def test_the_password_that_is_made_is_for_one_account_and_gone_afterwards(tmp_path: Path) -> None:
    async def act(page: OperatorPage, settings: PageSettings) -> None:
        assert settings.made == tmp_path / "night" / "page.password"
        assert stat.S_IMODE(settings.made.stat().st_mode) == 0o600
        # 128 bits at least, as OWASP asks of session identifiers and NIST SP 800-63B of secrets.
        assert len(settings.made.read_text().strip()) * 6 >= 128

    serve(tmp_path, act)
    assert not (tmp_path / "night" / "page.password").exists()


def test_a_port_that_is_taken_is_tried_again_and_nobody_else_notices(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(server, "_FIRST_PAUSE_S", 0.2)
    port = free_port()

    night = load_orders(write(tmp_path / "orders"))
    settings = page_settings(None, (None, port), night.paths["rig"], tmp_path / "night")

    async def main() -> None:
        taken = await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", port)
        async with OperatorPage(settings, night, tmp_path / "night").served(NOWHERE):
            seen = ""
            while f"the page at {settings.url} is not served" not in seen:
                await asyncio.sleep(0.05)  # pytest ends a test that waits for ever
                seen += capfd.readouterr().err
            taken.close()
            await taken.wait_closed()
            assert await status_of(settings.url) == 200

    asyncio.run(main())


def test_garbage_and_a_crowd_take_neither_the_page_nor_open_files(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def act(page: OperatorPage, settings: PageSettings) -> None:
        assert await status_of(settings.url) == 200
        for rubbish in (b"\x16\x03\x01\x02\x00" * 50, b"GET / HTTP/9.9\r\n\r\n",
                        b"GET " + b"x" * 100_000, b"POST /sign-in HTTP/1.1\r\nContent-Length: -1"
                        b"\r\n\r\n", b"\r\n" * 1000):  # fmt: skip
            reader, writer = await asyncio.open_connection("127.0.0.1", settings.port)
            writer.write(rubbish)
            writer.write_eof()
            await asyncio.wait_for(reader.read(), LIMIT_S)
            writer.close()
        crowd = [await asyncio.open_connection("127.0.0.1", settings.port) for _ in range(120)]
        closed = 0
        while closed < 120 - door._MOST_CONNECTIONS:
            await asyncio.sleep(0.05)
            closed = sum(reader.at_eof() for reader, _ in crowd)
        for _, writer in crowd:
            writer.close()
        assert await status_of(settings.url) == 200

        # A handshake of TLS, a version that is none, a line too long, a length below zero.
        assert page.turned_away()["malformed_request"] >= 3

    with caplog.at_level(logging.WARNING):
        serve(tmp_path, act)
    assert [r.message for r in caplog.records if r.name.startswith("aiohttp")] == []


def test_who_only_holds_connections_is_sent_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a request a connection, and never more: without a limit nobody else could look."""
    monkeypatch.setattr(door, "_SILENT_S", 0.5)

    async def act(page: OperatorPage, settings: PageSettings) -> None:
        assert await status_of(settings.url) == 200
        crowd = []
        for _ in range(door._MOST_CONNECTIONS):
            reader, writer = await asyncio.open_connection("127.0.0.1", settings.port)
            writer.write(b"GET / HTTP/1.1\r\nHost: 127.")
            crowd.append((reader, writer))
        await asyncio.sleep(1.5)
        assert await status_of(settings.url) == 200
        for _, writer in crowd:
            writer.close()

    serve(tmp_path, act)


def test_passwords_are_read_next_to_the_rig_file(tmp_path: Path) -> None:
    rig = tmp_path / "rig.yaml"
    (tmp_path / "ann.password").write_text("correct horse 10\nand nothing else\n")
    section = Page(accounts={"ann": "ann.password"})
    settings = page_settings(section, None, rig, tmp_path / "night")
    assert dict(settings.passwords) == {"ann": "correct horse 10"}
    assert settings.made is None
    assert "correct" not in repr(settings)


@pytest.mark.parametrize(("content", "words"), [(None, "No such file"), ("", "no password"),
                                                ("short", "10 or more")])  # fmt: skip
def test_a_password_file_that_is_no_use_is_refused(tmp_path: Path, content, words) -> None:
    if content is not None:
        (tmp_path / "ann.password").write_text(content)
    with pytest.raises(InputError, match=r"page\.accounts\.ann") as refused:
        section = Page(accounts={"ann": "ann.password"})
        page_settings(section, None, tmp_path / "rig.yaml", tmp_path)
    assert words in str(refused.value)


def test_the_command_line_cannot_open_what_the_rig_file_may_not(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no account is named"):
        page_settings(None, ("0.0.0.0", 8427), tmp_path / "rig.yaml", tmp_path)
    (tmp_path / "ann.password").write_text("correct horse 10")
    section = Page(accounts={"ann": "ann.password"})
    with pytest.raises(InputError, match="in the clear"):
        page_settings(section, ("192.0.2.1", 8427), tmp_path / "rig.yaml", tmp_path)


REFUSED = {
    "{host: 0.0.0.0}": ("accounts", "no account is named"),
    "{host: 0.0.0.0, accounts: {ann: a}}": ("host", "in_clear: true"),
    "{cert_file: a.crt}": ("key_file", "give key_file too"),
    "{prt: 80}": ("prt", "port"),
    "{port: 0}": ("port", "1"),
}


@pytest.mark.parametrize(("text", "said"), REFUSED.items())
def test_a_page_that_would_not_be_safe_is_refused_by_line_and_field(
    tmp_path: Path, text: str, said: tuple[str, str]
) -> None:
    rig = f"{ROOFED}page: {text}\n"
    with pytest.raises(OrdersError) as refused:
        load_orders(write(tmp_path, rig=rig))
    (problem,) = refused.value.problems
    assert problem.line == rig.count("\n")
    assert problem.field == f"page.{said[0]}"
    assert said[1] in str(problem)


@pytest.mark.parametrize(
    "text",
    ["{}", "{host: '::1'}", "{host: localhost, port: 80}",
     "{host: 0.0.0.0, accounts: {ann: a}, in_clear: true}"],
)  # fmt: skip
def test_a_page_in_the_rig_file_is_taken(tmp_path: Path, text: str) -> None:
    assert load_orders(write(tmp_path, rig=f"{ROOFED}page: {text}\n")).rig.page is not None


def test_the_section_on_the_front_page_is_one(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = readme.partition("```yaml\npage:")[2].partition("```")[0]
    page = load_orders(write(tmp_path, rig=f"{ROOFED}page:{section}")).rig.page
    assert page is not None
    assert not page.stays_here
    assert list(page.accounts) == ["ann"]
