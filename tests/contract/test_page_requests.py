"""The page's answers to a browser, and to what is no browser of anybody who may give orders."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
import structlog

from midwatch.bus import CommandError, ErrorKind
from support.by_hand import ORDERS, text_of, write
from support.page_bench import ACCOUNT, PASSWORD, Bench, page_bench

Act = Callable[[Bench], Awaitable[None]]


@pytest.fixture
def run(tmp_path: Path) -> Callable[[Act], None]:
    def with_page(act: Act) -> None:
        async def main() -> None:
            async with page_bench(write(tmp_path / "orders"), tmp_path / "night") as bench:
                await act(bench)

        asyncio.run(main())

    return with_page


def test_nobody_sees_the_night_or_orders_anything_before_signing_in(run) -> None:
    async def act(bench: Bench) -> None:
        page = await bench.client.get("/")
        text = await page.text()
        assert page.status == 200
        assert "IC 405" not in text
        assert ACCOUNT not in text
        for path in ("/now", "/frame.png"):
            assert (await bench.client.get(path)).status == 403
        for command in ("pause", "resume", "skip", "close", "change"):
            answer = await bench.post(f"/order/{command}", {"who": "x", "why": "y", "sure": "yes"})
            assert answer.status == 403
        assert bench.gate.turned_away == {"not_signed_in": 5}
        assert not bench.desk.taken

    run(act)


def test_orders_reach_the_daemon_with_who_and_why(run) -> None:
    async def act(bench: Bench) -> None:
        signed = await bench.sign_in()
        assert signed.status == 303
        cookie = signed.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert PASSWORD not in str(signed.headers)
        await bench.order("pause", why="a car on the road")
        await bench.order("resume", who="Ben \x1b[2J\n Example")
        await bench.order("skip", target="M 101")
        await bench.order("close", sure="yes")
        assert bench.desk.taken == [
            ("pause", {"who": "ann (page)", "why": "a car on the road", "target": None}),
            ("resume", {"who": "Ben  [2J  Example (page, account ann)", "why": "a look",
                        "target": None}),
            ("skip", {"who": "ann (page)", "why": "a look", "target": "M 101"}),
            ("close", {"who": "ann (page)", "why": "a look", "target": None}),
        ]  # fmt: skip

    run(act)


def test_what_became_of_an_order_is_reported_once(run) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()
        await bench.order("pause")
        first, second = [await (await bench.client.get("/")).text() for _ in range(2)]
        assert "Paused: the frame under way is finished" in first
        assert "Paused: the frame under way is finished" not in second

    run(act)


def test_an_order_without_a_reason_or_a_close_without_being_sure_does_nothing(run) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()
        await bench.order("pause", why=" \n ")
        assert "say why" in await (await bench.client.get("/")).text()
        await bench.order("close", why="rain is near")
        text = await (await bench.client.get("/")).text()
        assert "say that this night is to end" in text
        assert 'value="rain is near"' in text  # and nobody has to type that again
        assert not bench.desk.taken

    run(act)


def test_a_refusal_of_the_daemon_is_shown(run) -> None:
    async def act(bench: Bench) -> None:
        bench.desk.refusal = CommandError(ErrorKind.BAD_ARGS, "no target <b>'M 9'</b> tonight")
        await bench.sign_in()
        await bench.order("skip", target="M 9")
        text = await (await bench.client.get("/")).text()
        assert "The daemon refused skip" in text
        assert "no target &lt;b&gt;" in text

    run(act)


FOREIGN = {
    "no origin at all": {"Origin": ""},
    "another site": {"Origin": "https://example.org"},
    "another port of this machine": {"Origin": "http://127.0.0.1:9"},
    "a file or a sandbox": {"Origin": "null"},
    "a site that the browser calls another": {"Sec-Fetch-Site": "cross-site"},
    "another port, as the browser calls it": {"Sec-Fetch-Site": "same-site"},
}


@pytest.mark.parametrize("headers", FOREIGN.values(), ids=FOREIGN)
def test_what_another_page_has_posted_does_nothing_and_is_counted(run, headers) -> None:
    """Cross-site request forgery: OWASP's cheat sheet names Origin, Sec-Fetch-Site and a token."""

    async def act(bench: Bench) -> None:
        await bench.sign_in()
        form = {"form": await bench.form_token(), "who": "x", "why": "y"}
        answer = await bench.post("/order/pause", form, **headers)
        assert answer.status == 403
        assert bench.gate.turned_away == {"cross_site": 1}
        assert not bench.desk.taken

    run(act)


@pytest.mark.parametrize("token", ["", "x", None])
def test_a_form_of_another_session_does_nothing(run, token) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()
        form = {"who": "x", "why": "y"} | ({} if token is None else {"form": token})
        answer = await bench.post("/order/pause", form)
        assert answer.status == 403
        assert bench.gate.turned_away == {"wrong_form": 1}
        assert not bench.desk.taken

    run(act)


@pytest.mark.parametrize(
    ("host", "status"),
    [("rebound.example.org", 421), ("rebound.example.org:80", 421), ("localhost:8427", 200),
     ("LOCALHOST", 200), ("[::1]:8427", 200), ("192.0.2.7:8427", 200), ("", 400)],
)  # fmt: skip
def test_a_foreign_name_that_leads_here_is_turned_away(run, host, status) -> None:
    """DNS rebinding: a page of theirs would pass for ours, cookies and all."""

    async def act(bench: Bench) -> None:
        answer = await bench.client.get("/", headers={"Host": host})
        assert answer.status in (status, 421 if status == 400 else status)

    run(act)


def test_wrong_passwords_are_counted_and_cost_ever_longer_waits(run) -> None:
    async def act(bench: Bench) -> None:
        for _ in range(5):
            answer = await bench.sign_in("wrong password")
            assert answer.status == 403
            assert "Set-Cookie" not in answer.headers
        # Now even the right one has to wait, and after one more wrong one twice as long.
        waits = []
        for _ in range(3):
            answer = await bench.sign_in()
            assert answer.status == 429
            waits.append(int(answer.headers["Retry-After"]))
            bench.clock.ahead_s += waits[-1] + 1.0
            assert (await bench.sign_in("wrong again")).status == 403
        assert waits[0] > 10
        assert [later / before for before, later in itertools.pairwise(waits)] == (
            pytest.approx([2.0, 2.0], rel=0.1)
        )
        bench.clock.ahead_s += 3600.0
        assert (await bench.sign_in()).status == 303
        assert bench.gate.turned_away == {"wrong_password": 8, "too_many_tries": 3}
        text = await (await bench.client.get("/")).text()
        assert "Turned away by this page: too many tries 3, wrong password 8." in text

    run(act)


def test_no_secret_stands_in_logs_addresses_or_the_page(run) -> None:
    async def act(bench: Bench) -> None:
        with structlog.testing.capture_logs() as logs:
            await bench.sign_in("a guess that is wrong")
            signed = await bench.sign_in()
            await bench.order("pause")
            text = await (await bench.client.get("/")).text()
        token = signed.cookies["midwatch-8427"].value
        seen = repr(logs) + text + repr(bench.page.settings) + str(signed.headers["Location"])
        assert [log["event"] for log in logs] == [
            "page_turned_away", "page_signed_in", "page_order",
        ]  # fmt: skip
        for secret in (PASSWORD, "a guess that is wrong", token):
            assert secret not in seen

    run(act)


def test_a_session_ends_by_itself_and_by_signing_out(run) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()
        assert (await bench.client.get("/now")).status == 200
        await bench.post("/sign-out", {})
        assert (await bench.client.get("/now")).status == 403
        await bench.sign_in()
        bench.clock.ahead_s += 15 * 3600.0
        assert (await bench.client.get("/now")).status == 403

    run(act)


def test_orders_are_checked_before_they_are_handed_in(run) -> None:
    wrong = text_of({**ORDERS, "targts": []}).replace("exposure_s: 120", "exposure_s: -120", 1)
    new = text_of({**ORDERS, "targets": ORDERS["targets"][1:]})
    rigs = text_of({**ORDERS, "rig": "another.yaml"})

    async def act(bench: Bench) -> None:
        await bench.sign_in()
        for text, words in ((wrong, ("orders.yaml:", "targts", "exposure_s", "-120")),
                            (rigs, ("rig", "another.yaml")),
                            ("a: [b", ("orders.yaml:1", "not closed")),
                            ("", ("orders.yaml",))):  # fmt: skip
            await bench.order("change", orders=text)
            page = await (await bench.client.get("/")).text()
            assert "These orders cannot hold" in page
            for word in words:
                assert word in page
            assert not bench.desk.taken
        await bench.order("check", orders=new, why="")
        page = await (await bench.client.get("/")).text()
        assert "Nothing is wrong with these orders" in page
        assert "removed: IC 405" in page
        assert not bench.desk.taken
        # Browsers send line breaks as CR LF; the file keeps its own.
        await bench.order("change", orders=new.replace("\n", "\r\n"), why="the trees")
        ((command, args),) = bench.desk.taken
        assert (command, args["who"], args["why"]) == ("change", "ann (page)", "the trees")
        assert args["documents"]["files"]["orders.yaml"] == new
        assert set(args["documents"]["files"]) == {"orders.yaml", "rig.yaml", "site.yaml"}

    run(act)


def test_the_orders_shown_are_those_of_the_night_wherever_their_files_went(run, tmp_path) -> None:
    async def act(bench: Bench) -> None:
        (tmp_path / "orders" / "orders.yaml").unlink()
        (tmp_path / "orders" / "site.yaml").write_text("name: another\n")
        await bench.sign_in()
        page = await bench.client.get("/")
        assert page.status == 200
        assert "name: IC 405" in await page.text()
        await bench.order("check", orders=text_of(ORDERS))
        assert "Nothing is wrong with these orders" in await (await bench.client.get("/")).text()

    run(act)


def test_orders_can_be_uploaded_as_a_file(run) -> None:
    new = text_of({**ORDERS, "targets": ORDERS["targets"][1:]})

    async def act(bench: Bench) -> None:
        await bench.sign_in()
        token = await bench.form_token()
        for content, status in ((new.encode(), 303), (b"\xff\xfe\x00", 400)):
            import aiohttp

            form = aiohttp.FormData()
            for name, value in (("form", token), ("who", "ann"), ("why", "w"), ("orders", "x: y")):
                form.add_field(name, value)
            form.add_field("file", content, filename="new.yaml")
            assert (await bench.post("/order/change", form)).status == status  # type: ignore[arg-type]
        ((_, args),) = bench.desk.taken
        assert args["documents"]["files"]["orders.yaml"] == new

    run(act)


HOSTILE: dict[str, dict[str, Any]] = {
    "far too long": {"data": {"why": "x" * 400_000}},
    "no form": {"data": b"\x00\xff" * 50, "headers": {"Content-Type": "multipart/form-data"}},
    "a broken multipart": {"data": b"--a\r\nhello",
                           "headers": {"Content-Type": "multipart/form-data; boundary=a"}},
    "no UTF-8": {"data": b"why=%ff%fe", "headers": {"Content-Type":
                                                    "application/x-www-form-urlencoded"}},
    "another charset": {"data": b"why=x", "headers": {
        "Content-Type": "application/x-www-form-urlencoded; charset=nonsense"}},
    "json": {"json": {"form": ["x"], "why": {"a": 1}}},
}  # fmt: skip


@pytest.mark.parametrize("hostile", HOSTILE.values(), ids=HOSTILE)
def test_hostile_bodies_are_refused_and_the_page_goes_on(run, hostile) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()
        given = dict(hostile)
        headers = {"Origin": bench.origin, **given.pop("headers", {})}
        for path in ("/order/pause", "/sign-in"):
            answer = await bench.client.post(path, headers=headers, allow_redirects=False, **given)
            assert answer.status in (400, 403, 413)
        assert not bench.desk.taken
        await bench.order("pause")
        assert len(bench.desk.taken) == 1

    run(act)


@pytest.mark.parametrize(
    "path", ["/", "/now", "/page.css", "/page.js", "/nothing", "/order/pause", "/../rig.yaml"]
)
def test_every_answer_carries_the_policy(run, path) -> None:
    async def act(bench: Bench) -> None:
        answer = await bench.client.get(path)
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "same-origin"

    run(act)


def test_a_fault_while_somebody_signs_in_does_not_bring_the_password_into_the_log(
    run, monkeypatch
) -> None:
    async def act(bench: Bench) -> None:
        def broken(_account: str, password: str, _address: str) -> None:
            raise ValueError(password)

        monkeypatch.setattr(bench.gate, "sign_in", broken)
        with structlog.testing.capture_logs() as logs:
            assert (await bench.sign_in()).status == 500
        assert logs[0]["error"] == "ValueError"
        assert PASSWORD not in repr(logs)

    run(act)


def test_a_fault_in_the_page_is_reported_and_the_next_request_answered(run, monkeypatch) -> None:
    async def act(bench: Bench) -> None:
        await bench.sign_in()

        def broken(_now_s: float) -> None:
            raise RuntimeError("a mistake of the page")

        with monkeypatch.context() as patch:
            patch.setattr(bench.page.outlook, "glance", broken)
            answer = await bench.client.get("/now")
            assert answer.status == 500
            assert "a mistake" not in await answer.text()
        assert (await bench.client.get("/now")).status == 200

    run(act)
