"""The report in a real browser, with the network cut off."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from midwatch.reports import take_accounts
from midwatch.reports.night_report import render_report
from support.journal_story import CONTEXT, story_night
from support.pace import LIMIT_MS

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
]


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> Path:
    night = story_night()
    path = tmp_path_factory.mktemp("report") / "report.html"
    accounts = take_accounts(night.events, night.folder, CONTEXT)
    path.write_text(render_report(accounts, night.folder, CONTEXT), encoding="utf-8")
    return path


def opened(browser: Browser, report: Path, width: int, **options) -> tuple[Page, list[str], list]:
    context = browser.new_context(
        viewport={"width": width, "height": 844}, offline=True, java_script_enabled=True, **options
    )
    context.set_default_timeout(LIMIT_MS)
    page = context.new_page()
    seen: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: seen.append(message.text))
    page.on("pageerror", lambda error: seen.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(report.as_uri())
    return page, seen, [url for url in asked if not url.startswith("data:")]


@pytest.mark.parametrize("width", [390, 1280])
def test_it_opens_offline_without_a_complaint(browser, report, width):
    page, seen, asked = opened(browser, report, width)
    assert seen == []
    assert asked == [report.as_uri()]
    assert page.get_by_role("heading", level=1).is_visible()
    assert page.get_by_role("img", name="The night from sunset to sunrise").is_visible()
    overflow = page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth")
    assert overflow <= 0
    page.context.close()


def test_the_timeline_scrolls_inside_its_own_box_on_a_phone(browser, report):
    page, _, _ = opened(browser, report, 390)
    box = page.get_by_role("region", name="Timeline of the night")
    box.focus()
    wide, shown = box.evaluate("e => [e.scrollWidth, e.clientWidth]")
    assert wide > 2 * shown
    box.evaluate("e => e.scrollTo(e.scrollWidth, 0)")
    assert page.evaluate("() => window.scrollX") == 0
    page.context.close()


def test_previews_are_decoded_and_texts_are_large_enough_to_read(browser, report):
    page, _, _ = opened(browser, report, 390)
    widths = page.evaluate("() => [...document.images].map(i => i.complete && i.naturalWidth)")
    assert widths == [240] * 10
    smallest = page.evaluate(
        """() => Math.min(...[...document.querySelectorAll('svg text')].map(
            t => t.getBoundingClientRect().height))"""
    )
    assert smallest >= 9
    page.context.close()


def test_every_frame_can_be_listed_with_the_keyboard(browser, report):
    page, _, _ = opened(browser, report, 1280)
    summary = page.locator("summary", has_text="light frames with their measures")
    rows = page.get_by_role("region", name="Light frames", exact=True).locator("tbody tr")
    assert not rows.first.is_visible()
    summary.focus()
    page.keyboard.press("Enter")
    assert rows.first.is_visible()
    assert rows.count() == 105
    page.context.close()


CONTRAST = """() => {
  const channels = c => c.match(/[\\d.]+/g).slice(0, 3).map(Number);
  const linear = v => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = c => { const [r, g, b] = channels(c).map(linear);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) {
      const c = getComputedStyle(e).backgroundColor;
      if (!/, 0\\)$/.test(c)) return c; }
    return 'rgb(255, 255, 255)'; };
  const ratio = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  return [...document.querySelectorAll('main *')]
    .filter(e => !e.closest('svg') && [...e.childNodes].some(
      n => n.nodeType === 3 && n.textContent.trim()))
    .map(e => [ratio(light(getComputedStyle(e).color), light(ground(e))), e.textContent])
    .filter(([r]) => r < 4.5).map(([r, t]) => t.slice(0, 40) + ' ' + r.toFixed(1));
}"""


def test_contrast_reaches_the_accessibility_guidelines(browser, report):
    """Web Content Accessibility Guidelines 2.1, criterion 1.4.3: 4.5 to 1 for text."""
    page, _, _ = opened(browser, report, 1280)
    assert page.evaluate(CONTRAST) == []
    page.emulate_media(media="print")
    assert page.evaluate(CONTRAST) == []
    page.context.close()


def test_it_reads_without_scripts(browser, report):
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(report.as_uri())
    assert "on NGC 2237" in page.locator("h1").inner_text()
    context.close()
