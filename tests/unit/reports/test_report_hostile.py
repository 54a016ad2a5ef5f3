"""Whatever text comes to the report from orders, devices or people, it stays text."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from midwatch.journal.store import Event
from midwatch.markup import draw
from midwatch.reports import take_accounts
from midwatch.reports.lessons_sections import ExposuresView, HorizonView
from midwatch.reports.night_report import Report, render_report, view_of
from support.journal_story import CONTEXT, story_night
from support.markup import HOSTILE, read, spoilt, thinned

PACKAGE = Report.__module__.rpartition(".")[0]


@cache
def report() -> Report:
    """A short report in which every section has something to show."""
    night = story_night()
    view = view_of(take_accounts(night.events, night.folder, CONTEXT), night.folder, CONTEXT)
    table = view.targets.orders
    view = replace(
        view,
        exposures=view.exposures or ExposuresView("1", "1", table),
        horizon=HorizonView("horizon.txt", table),
    )
    return thinned(view)


@cache
def harmless() -> list[tuple[str, ...]]:
    return read(draw(PACKAGE, "report.html", spoilt(report(), "(here)")), "(here)")


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_no_value_that_a_template_shows_becomes_markup(text: str) -> None:
    """Every text of the view is hostile, and the page is made of the same elements as ever."""
    found = read(draw(PACKAGE, "report.html", spoilt(report(), text)), text)
    assert found == harmless()
    assert sum("(here)" in each for part in found for each in part) > 150


def test_every_section_of_the_report_is_in_this() -> None:
    empty = [name for name, value in vars(report()).items() if value in (None, (), "")]
    assert empty == []
    shown = {part[-1] for part in harmless() if part[0] == "begin" and part[1] == "path"}
    assert {f"class=m-{shape}" for shape in ("cross", "diamond", "triangle")} <= shown
    begun = {part[1] for part in harmless() if part[0] == "begin"}
    assert {"code", "strong", "circle", "polyline", "img", "h3", "a"} <= begun


# Fields of facts that hold words from orders, devices and people.
SPOKEN = (
    "site", "rig", "how", "target", "filter", "wanted", "note", "detail", "duty", "reason",
    "reasons", "ruled_out", "trigger", "lookout", "message", "device", "fault", "remedy", "who",
    "why", "command",
)  # fmt: skip


def with_text(value: Any, text: str) -> Any:
    if isinstance(value, str):
        return value + text
    return tuple(with_text(each, text) for each in value) if isinstance(value, tuple) else value


def with_words(event: Event, text: str) -> Event:
    changes = {
        name: with_text(getattr(event.fact, name), text)
        for name in SPOKEN
        if getattr(event.fact, name, None) is not None
    }
    return replace(event, fact=event.fact.model_copy(update=changes))


def test_no_text_of_the_journal_becomes_markup() -> None:
    """The same from the journal on: nothing on the way takes a text for markup of ours."""
    night = story_night()

    def parts(text: str) -> list[tuple[str, ...]]:
        events = [with_words(event, text) for event in night.events]
        accounts = take_accounts(events, night.folder, CONTEXT)
        markup = render_report(accounts, night.folder, CONTEXT)
        # The digest of another journal is another one.
        return read(re.sub("[0-9a-f]{64}", "digest", markup), text)

    # As long as each other, so that what fits into a picture is the same.
    everything = "".join(HOSTILE.values())
    assert parts(everything) == parts("x" * len(everything))
