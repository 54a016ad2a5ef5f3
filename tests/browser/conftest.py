"""The browser of these tests: the distribution's own, which reaches nothing but this machine."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect, sync_playwright

from support.pace import LIMIT_MS

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    assert CHROMIUM.exists(), "install the distribution's chromium to run the browser tests"
    expect.set_options(timeout=LIMIT_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS, timeout=LIMIT_MS)
        yield browser
        browser.close()
