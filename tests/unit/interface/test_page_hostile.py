"""Whatever text comes to the page from orders, devices, people or a browser, it stays text."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from midwatch.interface.page.accounts import OrderAnswer
from midwatch.interface.page.document import night_page, sign_in_page
from midwatch.interface.page.forms import OrderForms
from midwatch.interface.page.page_facts import (
    Choice,
    FaultLine,
    Glance,
    Hours,
    LastFrame,
    Spoken,
    TargetLine,
    Watched,
)
from midwatch.interface.page.page_sections import Sections, sections
from midwatch.journal.record import Ledger, Span
from support.markup import HOSTILE, read, spoilt

PACKAGE = Sections.__module__.rpartition(".")[0]
DUSK, NOW, DAWN = 1804704237, 1804720000, 1804736819
ANSWER = OrderAnswer(True, ("Paused.", "a line", "another"))


@cache
def shown(phase: str = "running") -> Sections:
    """A night of which every section has something to show."""
    ledger = Ledger(
        DUSK, DAWN, {"open_shutter": 9000, "clouds": 600},
        (Span(DUSK, DUSK + 9000, "open_shutter", None), Span(DUSK + 9000, NOW, "clouds", None)),
    )  # fmt: skip
    night = Glance(
        at_utc_s=float(NOW), site="Field", rig="Bench", timezone="Europe/Vienna",
        evening="2027-03-10", phase=phase, doing="shutter open", since_utc_s=float(NOW),
        target="M 3", paused=True, closing=False, ending="dawn",
        choice=Choice(float(NOW), "expose", "it is next", (("focus", "not due"),)),
        ahead=((float(NOW), "go on"), (NOW + 60.0, "flip")),
        hours=Hours(DUSK - 5000.0, DUSK, DAWN, None, -30.0), ledger=ledger,
        targets=(TargetLine("M 3", 3, 9, 300.0, 900.0, "not tonight"),),
        faults=(FaultLine(float(DUSK), None, "mount", "silent", "reconnect"),
                FaultLine(float(DUSK), float(NOW), "camera", "silent", "")),
        spoken=(Spoken(float(NOW), "ann", "pause", "a look"), Spoken(float(NOW), "", "note", "")),
        frame=LastFrame("1", float(NOW), "M 3 L", "rejected", ("few stars",),
                        (("stars", "9"),), Path("x.png")),
        trouble="damaged",
    )  # fmt: skip
    mount = {"online": True, "at": None, "turned_away": {}, "state": {"connected": True}}
    return sections(
        Watched(float(NOW), night, ("mount", "camera"), {"mount": mount}, 10.0, False, {"x": 2})
    )


def page(text: str) -> str:
    """The page with a text wherever there is one, the answer and the forms included."""
    forms = OrderForms("token", "ann", "why", ("M 3", "M 31"), "targets: []", True)
    return night_page(
        text, "plain", spoilt(ANSWER, text), spoilt(shown(), text), spoilt(forms, text)
    )


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_no_value_that_the_page_shows_becomes_markup(text: str) -> None:
    found = read(page(text), text)
    assert found == read(page("(here)"), "(here)")
    assert sum("(here)" in each for part in found for each in part) > 60


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_nor_one_that_is_shown_before_signing_in(text: str) -> None:
    def parts(text: str) -> list[tuple[str, ...]]:
        return read(sign_in_page(text, "night", spoilt(ANSWER, text), text), text)

    assert parts(text) == parts("(here)")


def test_typed_orders_come_back_as_they_were() -> None:
    """Browsers drop the first line break of a text area, and only that one."""
    orders = "\n\n <targets>:\n\t- {{ x }}\n\n"
    forms = OrderForms("token", "ann", "why", (), orders, True)
    markup = night_page("Bench", "plain", None, shown(), forms)
    held = next(
        part[1] for before, part in zip(*(read(markup, "\0")[i:] for i in (0, 1)), strict=False)
        if before[:2] == ("begin", "textarea")
    )  # fmt: skip
    assert held == "\n" + orders


def test_what_is_over_leaves_no_heading_behind() -> None:
    """A section with nothing in it, not even a space, is not shown."""
    forms = OrderForms("token", "ann", "why", (), "", False)
    assert '<section id="ahead"></section>' in night_page(
        "Bench", "plain", None, shown("ended"), forms
    )
