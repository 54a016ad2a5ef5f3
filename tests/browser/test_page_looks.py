"""The operator's page in a real Chromium: readable, usable by hand and keyboard, red at night."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from support.pace import LIMIT_MS
from support.page_bench import ACCOUNT, HOSTILE, PASSWORD, Bench, served_story

WIDTHS = [390, 1200]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with served_story(tmp_path_factory.mktemp("story")) as bench:
        yield bench


class Visitor:
    """Somebody at a browser, who has signed in."""

    def __init__(self, browser: Browser, bench: Bench, width: int = 1200, **options: Any) -> None:
        # Without motion no colour is measured on its way to another.
        self.context = browser.new_context(
            viewport={"width": width, "height": 844}, reduced_motion="reduce", **options
        )
        self.context.set_default_timeout(LIMIT_MS)
        self.page: Page = self.context.new_page()
        self.seen: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.seen.append(message.text))
        self.page.on("pageerror", lambda error: self.seen.append(str(error)))
        self.page.on("dialog", lambda dialog: self.seen.append(dialog.message))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(bench.origin)
        self.page.get_by_label("Account").fill(ACCOUNT)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.locator("#why").wait_for()

    def look_again(self) -> None:
        """Wait until the script has asked once more, and has had time to show what it got."""
        with self.page.expect_response("**/now"):
            pass
        with self.page.expect_request("**/now"):
            pass  # it asks again only after it has shown the last answer

    def choose_night_colours(self) -> None:
        """Press the button, and wait until the choice is kept."""
        with self.page.expect_response("**/colours"):
            self.page.get_by_role("button", name="Night colours").click()

    def shot(self, of: str | None = None) -> str:
        """Return a screenshot of the whole page, or of one place in it, for `BRIGHTEST`.

        A picture of an element would wait for the page to be still, which the script, that
        replaces sections, need not let it be on a busy machine; a part of the page does not.
        """
        # Nothing is replaced while the picture is taken: this question stays without an answer.
        self.page.route("**/now", lambda _route: None)
        where: Any = None if of is None else self.page.evaluate(WHERE, of)
        return base64.b64encode(self.page.screenshot(full_page=True, clip=where)).decode()

    def __enter__(self) -> Visitor:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


@pytest.mark.parametrize("width", WIDTHS)
def test_it_shows_the_night_without_a_complaint_and_asks_nobody_else(browser, bench, width):
    with Visitor(browser, bench, width) as visitor:
        page = visitor.page
        visitor.look_again()
        for heading in ("Why", "Then", "The night", "Last frame", "Targets", "Where the time goes",
                        "Faults", "Said and noted", "Devices", "Orders by hand"):  # fmt: skip
            assert page.get_by_role("heading", name=heading, exact=True).count() == 1
        assert visitor.seen == []
        assert all(url.startswith(bench.origin) for url in visitor.asked)
        overflow = page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth")
        assert overflow <= 0
        picture = page.locator(".picture img").evaluate("i => i.complete && i.naturalWidth")
        assert picture == 240


def test_hostile_text_stands_there_as_text(browser, bench):
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        assert page.locator("#words li", has_text=HOSTILE).count() == 2
        assert HOSTILE in page.locator("#why").inner_text()
        assert HOSTILE in page.locator("#faults").inner_text()
        visitor.look_again()  # nor does it run when the script replaces a section
        assert page.locator("main script, main [onerror]").count() == 0
        assert visitor.seen == []


def test_it_works_by_keyboard_alone(browser, bench):
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        reached = []
        for _ in range(40):
            page.keyboard.press("Tab")
            reached.append(page.evaluate("() => document.activeElement.textContent.trim()"))
            ring = page.evaluate(
                "() => getComputedStyle(document.activeElement).outlineStyle !== 'none'"
            )
            assert ring, reached[-1]
            if reached[-1].startswith("Pause"):
                break
        before = len(bench.desk.taken)
        page.get_by_label("Why").first.fill("by keyboard")
        page.get_by_role("button", name="Pause").focus()
        page.keyboard.press("Enter")
        page.locator("#answer").wait_for()
        assert bench.desk.taken[before:] == [
            ("pause", {"who": "ann (page)", "why": "by keyboard", "target": None})
        ]
        # What became of it is where a screen reader goes on.
        assert page.evaluate("() => document.activeElement.id") == "answer"


def test_orders_need_no_script(browser, bench):
    with Visitor(browser, bench, java_script_enabled=False) as visitor:
        page = visitor.page
        before = len(bench.desk.taken)
        form = page.locator("form", has=page.get_by_role("button", name="Close"))
        form.get_by_label("Why").fill("clouds")
        form.get_by_label("End this night").check()
        form.get_by_role("button", name="Close").click()
        assert "Closing" in page.locator("#answer").inner_text()
        page.get_by_role("button", name="Night colours").click()
        assert page.locator("html").get_attribute("data-colours") == "night"
        assert bench.desk.taken[before:] == [
            ("close", {"who": "ann (page)", "why": "clouds", "target": None})
        ]


def test_mistakes_in_new_orders_are_shown_and_the_text_is_kept(browser, bench):
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        page.locator("#change summary").click()
        orders = page.get_by_label("Night orders, YAML")
        text = orders.input_value()
        assert "IC 405" in text
        orders.fill(text.replace("exposure_s: 120", "exposure_s: -120", 1))
        page.get_by_role("button", name="Check").click()
        said = page.locator("#answer").inner_text()
        assert "orders.yaml:" in said
        assert "targets[0].frames[0].exposure_s" in said
        assert "exposure_s: -120" in page.get_by_label("Night orders, YAML").input_value()


CONTRAST = """() => {
  const channels = c => c.match(/[\\d.]+/g).slice(0, 3).map(Number);
  const linear = v => (v /= 255) <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = c => { const [r, g, b] = channels(c).map(linear);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) {
      const c = getComputedStyle(e).backgroundColor;
      if (!/^rgba.*, 0\\)$/.test(c)) return c; }
    return 'rgb(255, 255, 255)'; };
  const ratio = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  return [...document.querySelectorAll('body *')]
    .filter(e => e.matches('input[type=password], input:not([type]), textarea') ||
      [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
    .map(e => [ratio(light(getComputedStyle(e).color), light(ground(e))), e.textContent])
    .filter(([r]) => r < 4.5).map(([r, t]) => t.slice(0, 40) + ' ' + r.toFixed(2));
}"""


@pytest.mark.parametrize("colours", ["plain", "night"])
def test_contrast_reaches_the_accessibility_guidelines(browser, bench, colours):
    """Web Content Accessibility Guidelines 2.1, criterion 1.4.3: 4.5 to 1 for text."""
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        if colours == "night":
            visitor.choose_night_colours()
        page.locator("#change summary").click()
        assert page.evaluate(CONTRAST) == []


@pytest.mark.parametrize("width", WIDTHS)
def test_buttons_are_large_enough_for_cold_fingers(browser, bench, width):
    """Web Content Accessibility Guidelines 2.1, criterion 2.5.5: targets of 44 CSS px."""
    with Visitor(browser, bench, width) as visitor:
        page = visitor.page
        page.locator("#change summary").click()
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, summary, label.choice, input')]
              .filter(e => !e.closest('label') || e.matches('label'))
              .filter(e => e.type !== 'hidden')
              .map(e => [e.getBoundingClientRect(), e.textContent])
              .filter(([r]) => r.height < 44 || r.width < 44).map(([, t]) => t)"""
        )
        assert small == []


# Where an element is on the whole page, in its CSS px.
WHERE = """of => {
  const { x, y, width, height } = document.querySelector(of).getBoundingClientRect();
  return { x: x + window.scrollX, y: y + window.scrollY, width, height };
}"""
# A browser decodes its own screenshot: the greatest red, green and blue of all pixels.
BRIGHTEST = """async data => {
  const image = new Image();
  image.src = 'data:image/png;base64,' + data;
  await image.decode();
  const canvas = new OffscreenCanvas(image.width, image.height);
  const drawn = canvas.getContext('2d');
  drawn.drawImage(image, 0, 0);
  const pixels = drawn.getImageData(0, 0, image.width, image.height).data;
  const most = [0, 0, 0];
  for (let i = 0; i < pixels.length; i += 4)
    for (let c = 0; c < 3; c++) if (pixels[i + c] > most[c]) most[c] = pixels[i + c];
  return most;
}"""


@pytest.mark.parametrize("width", WIDTHS)
def test_night_colours_hold_no_green_and_no_blue_and_stay(browser, bench, width):
    """Rods do not see deep red: common practice among observers, no source."""
    with Visitor(browser, bench, width) as visitor:
        page = visitor.page
        page.get_by_label("Why").first.fill("half typed")
        visitor.choose_night_colours()
        assert page.get_by_label("Why").first.input_value() == "half typed"
        page.reload()  # the choice is kept
        assert page.get_by_role("button", name="Plain colours").count() == 1
        page.locator("#change summary").click()
        page.get_by_label("End this night").check()
        page.get_by_label("Why").first.fill("marked text")
        page.get_by_label("Why").first.select_text()
        blank = visitor.context.new_page()
        red, green, blue = blank.evaluate(BRIGHTEST, visitor.shot())
        assert red > 230
        assert (green, blue) == (0, 0)
        red, green, blue = blank.evaluate(BRIGHTEST, visitor.shot(".picture"))
        assert red > 100  # the frame is still to be seen
        assert (green, blue) == (0, 0)


def test_signing_in_is_red_too_once_night_colours_were_chosen(browser, bench):
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        visitor.choose_night_colours()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_label("Password").fill("something")
        _, green, blue = visitor.context.new_page().evaluate(BRIGHTEST, visitor.shot())
        assert (green, blue) == (0, 0)


def test_a_daemon_that_does_not_answer_any_more_is_reported(browser, bench):
    with Visitor(browser, bench) as visitor:
        page = visitor.page
        assert not page.locator("#silence").is_visible()
        page.route("**/now", lambda route: route.abort())
        page.locator("#silence").wait_for(state="visible")
        assert "what is shown here is old" in page.locator("#silence").inner_text()
        page.unroute("**/now")
        page.locator("#silence").wait_for(state="hidden")
