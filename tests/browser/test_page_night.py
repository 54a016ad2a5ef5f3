"""A real night at speed, watched and commanded from a browser; the journal tells who and why."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from contract.bus_benches import free_port
from midwatch.errors import StopError
from midwatch.journal.facts import Fact, HostAccount, NightEnded, OperatorSpoke, OrdersChanged
from midwatch.journal.store import read_events
from support.by_hand import ORDERS, ROOFED, text_of, write
from support.nights_bench import end_session, wait_for
from support.pace import LIMIT_MS, LIMIT_S, speed

pytestmark = pytest.mark.real_time

FASTEST = 60.0
PASSWORD = "correct horse 10"
LONG = {**ORDERS, "targets": [
    {"name": "IC 405", "frames": [{"exposure_s": 120, "count": 40}]},
    {"name": "M 101", "priority": 2, "frames": [{"exposure_s": 120, "count": 40}]},
]}  # fmt: skip


class Run:
    """A night in a process of its own that serves a page."""

    def __init__(self, folder: Path) -> None:
        self.out = folder / "night"
        self.url = f"http://127.0.0.1:{(port := free_port())}/"
        page = f"page: {{port: {port}, accounts: {{ann: ann.password}}}}\n"
        page += "bus: {lease_s: 300, heartbeat_s: 30}\n"  # half a second of real time
        orders = write(folder, LONG, rig=f"{ROOFED}{page}")
        (folder / "ann.password").write_text(f"{PASSWORD}\n")
        command = [sys.executable, "-m", "midwatch.interface.cli", "run", str(orders), "--json",
                   "--out", str(self.out), "--speed", str(speed(FASTEST)), "--sky", "fast",
                   "--start", "2027-03-10T18:40:00Z"]  # fmt: skip
        self._log = (folder / "log").open("w+")
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=self._log, text=True, start_new_session=True
        )

    def facts(self, kind: type[Fact]) -> list[Any]:
        try:
            events = read_events(self.out / "journal.sqlite")
        except (FileNotFoundError, StopError):
            return []  # it is just being made
        return [event.fact for event in events if isinstance(event.fact, kind)]

    def said(self) -> str:
        self._log.seek(0)
        return self._log.read()

    def end(self) -> None:
        end_session(self.process.pid)
        self.process.communicate()
        self._log.close()


@pytest.fixture
def night(tmp_path: Path) -> Iterator[Run]:
    run = Run(tmp_path)
    try:
        yield run
    finally:
        run.end()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.set_default_timeout(LIMIT_MS)
    yield page
    page.close()


def sign_in(page: Page, password: str) -> None:
    page.get_by_label("Account").fill("ann")
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def give(page: Page, button: str, why: str) -> str:
    form = page.locator("form", has=page.get_by_role("button", name=button, exact=False)).last
    form.get_by_label("Why").fill(why)
    form.get_by_role("button", name=button).click()
    return page.locator("#answer").inner_text()


@pytest.mark.timeout(3600)  # an hour of a night in scaled time, and its end
def test_a_night_is_watched_and_commanded_from_a_page(night: Run, page: Page) -> None:
    wait_for(lambda: "the page is at" in night.said(), "the page is served")
    page.goto(night.url)
    sign_in(page, "not this one")
    expect(page.locator("#answer")).to_contain_text("wrong")
    sign_in(page, PASSWORD)

    # What is being done and why, without loading the page again.
    expect(page.locator("#now h1")).to_contain_text("IC 405")
    expect(page.locator("#now h1")).to_contain_text("Shutter open")
    expect(page.locator("#why")).to_contain_text("expose (target IC 405")
    expect(page.locator("#why")).to_contain_text("M 101")  # ruled out, or still to come
    expect(page.locator("#ahead")).to_contain_text("M 101")
    rows = page.locator("#devices tbody tr")
    expect(rows).to_have_count(7)
    expect(page.locator("#devices")).not_to_contain_text("✕")
    expect(page.locator("#ledger")).to_contain_text("shutter open")
    expect(page.locator("#targets")).to_contain_text(re.compile(r"IC 405 [1-9]\d* of 40 accepted"))
    expect(page.locator("#reported")).to_contain_text("wrong password 1")

    hostile = "<img src=x onerror=document.title='owned'>"
    assert "Paused" in give(page, "Pause", hostile)
    (spoken,) = night.facts(OperatorSpoke)
    assert (spoken.command, spoken.who, spoken.why) == ("pause", "ann (page)", hostile)
    expect(page.locator("#words")).to_contain_text(hostile)
    expect(page.locator("#now")).to_contain_text("Paused by hand")
    assert page.title() == "Test Field, Bench"

    wrong = text_of(LONG).replace("exposure_s: 120", "exposure_s: -120", 1)
    page.locator("#change summary").click()
    page.get_by_label("Night orders, YAML").fill(wrong)
    seen = give(page, "Send orders", "without the nebula")
    assert "targets[0].frames[0].exposure_s" in seen
    assert not night.facts(OrdersChanged)
    fewer = text_of({**LONG, "targets": LONG["targets"][1:]})
    page.get_by_label("Night orders, YAML").fill(fewer)
    assert "removed: IC 405" in give(page, "Send orders", "without the nebula")
    (changed,) = night.facts(OrdersChanged)
    assert (changed.who, changed.why) == ("ann (page)", "without the nebula")
    assert changed.files["orders.yaml"] == fewer

    assert "Resumed" in give(page, "Resume", "go on")
    expect(page.locator("#now h1")).to_contain_text("M 101")
    page.get_by_label("End this night").check()
    assert "Closing" in give(page, "Close", "enough")
    expect(page.locator("#now")).to_contain_text("Closing by hand")

    out, _ = night.process.communicate(timeout=LIMIT_S)
    assert night.process.returncode == 0, night.said()[-2000:]
    summary = json.loads(out)
    assert [p["number"] for p in summary["promises"] if p["ok"] is False] == []
    assert [s.command for s in night.facts(OperatorSpoke)] == ["pause", "resume", "close"]
    assert all(s.who == "ann (page)" for s in night.facts(OperatorSpoke))
    (end,) = night.facts(NightEnded)
    assert (end.parked, end.closed) == (True, True)
    # Whoever was not let in stands in the journal and in night.json (promise 10).
    (account,) = (a for a in night.facts(HostAccount) if a.device == "page")
    assert account.counts == {"wrong_password": 1}
    turned_away = {traffic["device"]: traffic["counts"] for traffic in summary["turned_away"]}
    assert turned_away["page"] == {"wrong_password": 1}
    assert PASSWORD not in night.said()
