"""What the page says of a night, held against the report of the same journal."""

from __future__ import annotations

import itertools
from dataclasses import fields, is_dataclass, replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, get_type_hints

import pytest

from midwatch.interface.page.document import sections_alone
from midwatch.interface.page.journal_reader import Outlook
from midwatch.interface.page.page_facts import Glance, Watched
from midwatch.interface.page.page_sections import sections
from midwatch.journal.facts import DecisionMade, NightBegan
from midwatch.journal.record import account
from midwatch.journal.store import Event, Journal, read_events
from midwatch.orders.reading import Night
from midwatch.planning import plan_night
from midwatch.reports import take_accounts
from midwatch.runtime.files import load_orders
from support.by_hand import write
from support.journal_story import CONTEXT, NIGHT, tell_night
from support.page_bench import EVENING, HOSTILE


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event], Night]:
    """A told night in its data folder: with a restart, faults, clouds and a flip."""
    folder = tmp_path_factory.mktemp("told")
    tell_night(folder / "journal.sqlite", folder / NIGHT)[0].close()
    return folder, read_events(folder / "journal.sqlite"), load_orders(write(folder / "orders"))


def outlook(folder: Path, night: Night) -> Outlook:
    looking = Outlook(folder, night)
    looking.turn_to(plan_night(night, EVENING))
    return looking


def test_at_the_end_it_agrees_with_the_report(seen) -> None:
    folder, events, night = seen
    glance = outlook(folder, night).glance(events[-1].at_utc_s + 60.0)
    accounts = take_accounts(events, folder / NIGHT, CONTEXT)
    assert glance.phase == "ended"
    assert {t.name: t.accepted for t in glance.targets} == {
        t.name: sum(min(order.counted, order.wanted) for order in t.orders)
        for t in accounts.summary.targets
    }
    assert {t.name: t.counted_s for t in glance.targets} == {
        t.name: t.integration_s for t in accounts.summary.targets
    }
    dusk_s, dawn_s = glance.ledger.dusk_utc_s, glance.ledger.dawn_utc_s
    assert glance.ledger.seconds == account(events, dusk_s, dawn_s).seconds
    assert sum(glance.ledger.seconds.values()) == dawn_s - dusk_s
    assert len(glance.faults) == min(8, len(accounts.summary.faults))
    assert glance.ahead == ()


class TellingClock:
    """Says the instants of the events that are told again."""

    virtual, now_s = True, 0.0

    def unix_s(self) -> float:
        return self.now_s


def test_reading_on_gives_what_reading_at_once_gives(seen, tmp_path: Path) -> None:
    """The journal grows between looks; a restart is in it, so the ledger has a gap to tell."""
    _, events, night = seen
    clock, followed = TellingClock(), outlook(tmp_path, night)
    restart = next(i for i, e in enumerate(events) if i and isinstance(e.fact, NightBegan))
    for start, end in itertools.pairwise((0, restart // 2, restart - 7, restart + 1, len(events))):
        journal = Journal.open(tmp_path / "journal.sqlite", clock, durable=False)  # type: ignore[arg-type]
        journal.begin_night(NIGHT)
        for event in events[start:end]:
            clock.now_s = event.at_utc_s
            journal.append(event.fact)
        journal.close()
        glance = followed.glance(clock.now_s)
        made = [e for e in events[:end] if isinstance(e.fact, DecisionMade)][-1]
        assert (glance.choice.since_utc_s, glance.choice.reason) == (
            made.at_utc_s,
            made.fact.reason,
        )
        whole = account(events[:end], glance.ledger.dusk_utc_s, glance.ledger.dawn_utc_s,
                        running=True)  # fmt: skip
        assert glance.ledger.seconds == whole.seconds
        at_once = outlook(tmp_path, night).glance(clock.now_s)
        assert glance == at_once
    assert "daemon_down" in glance.ledger.seconds


def test_a_night_without_a_journal_is_awaited_and_its_hours_are_reported(
    seen, tmp_path: Path
) -> None:
    night = seen[2]
    plan = plan_night(night, EVENING)
    glance = outlook(tmp_path, night).glance(plan.prepare_from_s)
    assert (glance.phase, glance.ledger, glance.trouble) == ("awaited", None, "")
    assert (glance.hours.dusk_utc_s, glance.hours.dawn_utc_s) == (plan.dusk_s, plan.dawn_s)
    assert [what for _, what in glance.ahead][:2] == ["open, slew, centre and focus", "dusk"]
    assert [at for at, _ in glance.ahead] == sorted(at for at, _ in glance.ahead)


def test_a_journal_that_cannot_be_read_is_reported(seen, tmp_path: Path) -> None:
    (tmp_path / "journal.sqlite").write_bytes(b"no journal" * 500)
    assert "journal" in outlook(tmp_path, seen[2]).glance(1.0).trouble


def test_the_sun_is_cried_out_when_it_is_up(seen, tmp_path: Path) -> None:
    night = seen[2]
    plan = plan_night(night, EVENING)
    for at_s, up in ((plan.events.sunset_utc_s - 3600.0, True), (plan.dusk_s, False)):
        glance = outlook(tmp_path, night).glance(at_s)
        text = sections_alone(sections(watched(glance)))
        assert ("keep every telescope and finder capped" in text) is up


def watched(glance: Glance | None, **changes: Any) -> Watched:
    given: dict[str, Any] = {
        "at_utc_s": 1804710000.0, "night": glance, "names": ("mount",), "devices": {},
        "heartbeat_s": 10.0, "connected": True, "turned_away": {},
    }  # fmt: skip
    return Watched(**(given | changes))


def spoilt(value: Any) -> Any:
    """The same values with every text in them hostile, but for those from our own lists."""
    if isinstance(value, str):
        return HOSTILE
    if isinstance(value, tuple):
        return tuple(spoilt(each) for each in value)
    if is_dataclass(value) and not isinstance(value, type):
        hints = get_type_hints(type(value))
        return replace(value, **{
            f.name: spoilt(getattr(value, f.name))
            for f in fields(value)
            if f.name not in ("timezone", "phase", "ledger", "preview") and f.name in hints
        })  # fmt: skip
    return value


def test_no_text_from_outside_becomes_markup(seen) -> None:
    folder, events, night = seen
    glance = outlook(folder, night).glance(events[-1].at_utc_s + 60.0)
    for phase in ("awaited", "running", "ended"):
        hostile = replace(spoilt(replace(glance, ahead=((0.0, "x"),), trouble="x")), phase=phase)
        devices = {
            "mount": {
                "online": True,
                "at": None,
                "turned_away": {},
                "state": {"connected": True, "name": HOSTILE, "fault": HOSTILE},
            }
        }
        view = watched(hostile, devices=devices, names=("mount", HOSTILE),
                       turned_away={HOSTILE: 1})  # fmt: skip
        reader = MarkupReader()
        reader.feed(sections_alone(sections(view)))
        assert HOSTILE in "".join(reader.texts)
        assert "script" not in reader.tags
        assert not [name for name, _ in reader.attributes if name.startswith(("on", "style"))]
        sources = [value for name, value in reader.attributes if name in ("src", "href")]
        assert all(value.startswith("/frame.png?of=%3C") for value in sources)


class MarkupReader(HTMLParser):
    """Takes markup apart as the standard library reads it."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)
