import re
from html.parser import HTMLParser

import numpy as np
import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import LABELS
from midwatch.reports import LocalTime, Reach, duration, take_accounts
from midwatch.reports.charts import ticks
from midwatch.reports.marks import Scale
from midwatch.reports.night_report import fitted_curve, render_report
from midwatch.reports.report_words import joined
from support.journal_story import CONTEXT, NIGHT, TARGETS, as_events, began, story_night, with_fact

VOID = {"meta", "img", "br", "link", "input", "hr"}


class Page(HTMLParser):
    """Reads a page, checking that every element is closed; keeps text and attributes."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.feed(markup)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def page_of(events, folder=None) -> Page:
    folder = folder or story_night().folder
    return Page(render_report(take_accounts(events, folder, CONTEXT), folder, CONTEXT))


@pytest.fixture(scope="module")
def page():
    return page_of(story_night().events)


def test_the_headline_sets_what_was_kept_next_to_perfect_knowledge(page):
    assert "perfect knowledge" not in page.text
    night = story_night()
    reach = Reach(had_s=20_000.0, bound_s=25_200.0)
    accounts = take_accounts(night.events, night.folder, CONTEXT, measure=lambda *_: reach)
    seen = Page(render_report(accounts, night.folder, CONTEXT)).text
    assert "79% of the 7 h 00 min that perfect knowledge could have had" in seen


def test_the_headline_says_what_was_got_and_what_it_cost(page):
    assert "2 h 40 min on NGC 2237 and 5 h 15 min on M 3" in page.text
    assert "most of the rest went to clouds (25 min)" in page.text
    assert "The night ended: dawn: every dark minute was used." in page.text
    assert "rehearsal, seed 1" in page.text


def test_everything_that_happened_is_on_the_page(page):
    for words in (
        "stars elongated: 1.62",
        "few stars: 96, baseline 240",
        "reconnect (failed); reconnect (done)",
        "its state came again",
        "clouds tripped: cloud 82 %",
        "5 focus runs, 1 failed",
        "failed: the samples follow no curve",
        "meridian flip done",
        "a new daemon took the night over",
        "Calibration frames: 5 dark and 5 bias.",
        "sha256sum -c checksums.sha256",
        "look at frames before you delete",
    ):
        assert words in page.text, words
    for cause in ("open_shutter", "clouds", "daemon_down", "flipping"):
        assert LABELS[cause] in page.text


def test_nothing_on_the_page_comes_from_elsewhere(page):
    for tag, name, value in page.attributes:
        if name in ("src", "href", "action", "data", "srcset"):
            assert value.startswith(("data:image/png;base64,", "#")), (tag, name, value[:60])
        assert not name.startswith("on")
    assert "script" not in {tag for tag, _, _ in page.attributes}
    policy = next(value for _, name, value in page.attributes if value.startswith("default-src"))
    assert policy.startswith("default-src 'none'")


def test_every_picture_has_words(page):
    pictures = [tag for tag, name, _ in page.attributes if (tag, name) == ("svg", "role")]
    assert len(pictures) == 1 + 5 + 6
    titles = page.text.count("The night from sunset to sunrise")
    assert titles == 1
    assert sum(tag == "img" for tag, name, _ in page.attributes if name == "alt") == 10


def test_the_same_events_give_the_same_page():
    night = story_night()
    first, second = (
        render_report(take_accounts(night.events, night.folder, CONTEXT), night.folder, CONTEXT)
        for _ in "ab"
    )
    assert first == second
    assert len(first) < 3_000_000


def test_hostile_names_stay_text():
    bad = "<script>alert(1)</script>\"'&"
    events = list(story_night().events)
    for index, event in enumerate(events):
        if getattr(event.fact, "target", None) == "M 3":
            events = list(with_fact(tuple(events), index, target=bad))
    events = with_fact(tuple(events), len(events) - 1, how=bad)
    page = page_of(events)
    assert bad in page.text
    assert "script" not in {tag for tag, _, _ in page.attributes}


def test_broken_promises_are_reported_at_the_top():
    events = story_night().events
    page = page_of(with_fact(events, len(events) - 1, closed=False))
    assert "1 promise broken." in page.text
    assert "The rig was left not closed." in page.text
    assert "#promises" in {value for _, name, value in page.attributes if name == "href"}


def test_a_night_in_which_nothing_was_got(tmp_path):
    events = as_events(
        (1804700000.0, began(1804704237.0, 1804736819.0)),
        (1804700001.0, e.Activity(cause="unsafe", detail="rain")),
        (1804737000.0, e.NightEnded(how="rain all night", parked=True, warm=True, closed=True)),
    )
    page = page_of(events, tmp_path)
    assert "No light frame was kept" in page.text
    assert "0 of 0 light frames kept" in page.text
    assert "most of the rest went to unsafe weather (9 h 03 min)" in page.text
    assert "No focus run was made." in page.text


def test_a_night_still_running(tmp_path):
    plan = e.TargetPlanned(
        target="M 3", ra_deg=TARGETS["M 3"][0], dec_deg=TARGETS["M 3"][1], priority=1,
        wanted=((None, 60.0, 5),), windows_utc_s=(), transit_utc_s=None,
    )  # fmt: skip
    events = as_events((1804700000.0, began(1804704237.0, 1804736819.0)), (1804700001.0, plan))
    text = page_of(events, tmp_path).text
    assert "The night has not ended." in text
    assert "M 3 none 0 s 0 of 5" in text


@pytest.mark.parametrize("place", [(69.6, 18.9, "Europe/Oslo"), (-31.0, 149.0, "Australia/Sydney")])
def test_other_skies(tmp_path, place):
    """At 69.6 N the winter Sun does not rise; at 31 S the night is another day's in UTC."""
    from midwatch.sky import Horizon, Observer, Place

    latitude, longitude, timezone = place
    context = CONTEXT.__class__(
        Observer(Place(latitude, longitude)), Horizon.flat(5.0), CONTEXT.limits, timezone
    )
    took_up = began(1797955200.0, 1797976800.0).model_copy(update={"evening": "2026-12-22"})
    events = as_events((1797955000.0, took_up), (1797955300.0, e.Activity(cause="paused")))
    accounts = take_accounts(events, tmp_path, context)
    assert "dusk as ordered" in Page(render_report(accounts, tmp_path, context)).text


def test_previews_stay_within_their_budget(tmp_path):
    events = story_night().events
    previews = tmp_path / "previews"
    previews.mkdir()
    for event in events:
        if isinstance(event.fact, e.FrameFiled) and event.fact.preview:
            (tmp_path / event.fact.preview).write_bytes(bytes(700_000))
    page = page_of(events, tmp_path)
    assert sum(tag == "img" for tag, name, _ in page.attributes if name == "src") == 2


def test_the_fitted_curve_is_the_hyperbola_of_clean_samples():
    positions = np.arange(8000, 8401, 50)
    hfr = np.sqrt(2.1**2 + 0.02**2 * (positions - 8213.0) ** 2)
    curve = fitted_curve(positions.tolist(), hfr.tolist(), 8213.0, 2.1)
    x, y = np.array(curve).T
    assert y == pytest.approx(np.sqrt(2.1**2 + 0.02**2 * (x - 8213.0) ** 2))
    assert fitted_curve([5.0, 5.0], [2.0, 2.0], 5.0, 2.0) == []


def test_words():
    assert [duration(s) for s in (0, 99, 100, 3599, 3600, 29082)] == [
        "0 s", "99 s", "2 min", "1 h 00 min", "1 h 00 min", "8 h 05 min",
    ]  # fmt: skip
    assert [joined(parts) for parts in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "", "a", "a and b", "a, b and c",
    ]  # fmt: skip


def test_local_hours_follow_zones_with_half_hours_and_the_change_of_clocks():
    """Nepal is 5 h 45 min ahead of UTC; on 2027-03-28 Central European clocks skip 02:00."""
    nepal = LocalTime("Asia/Kathmandu").hours(1804704237.0, 1804704237.0 + 7200.0)
    assert nepal == [(1804705200.0 + 900.0, "01:00"), (1804705200.0 + 4500.0, "02:00")]
    spring = LocalTime("Europe/Vienna").hours(1806192000.0, 1806192000.0 + 3 * 3600.0)
    assert [local for _, local in spring] == ["01:00", "03:00", "04:00", "05:00"]


def test_scales_and_ticks():
    assert Scale(0.0, 10.0, 100.0, 0.0)(2.5) == 75.0
    assert Scale(3.0, 3.0, 0.0, 10.0)(3.0) == 5.0
    assert ticks(0.0, 10.0) == [0.0, 2.5, 5.0, 7.5, 10.0]
    assert ticks(1.0, 1.0) == [1.0]
    for low, high in ((-3.2, 4.1), (0.001, 0.0042), (8120.0, 8466.0)):
        shown = ticks(low, high)
        assert 2 <= len(shown) <= 6
        assert low <= shown[0] < shown[-1] <= high


def test_the_evening_names_the_night(page):
    assert re.search(r"Night of 10 March 2027 · Larch Hollow · Harrier", page.text)
    assert NIGHT == "2027-03-10"
