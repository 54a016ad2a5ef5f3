"""One clock a screen: whatever names a time shows it in the zone of the site."""

from __future__ import annotations

import argparse
import io
import re
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from midwatch.alignment import Narrator
from midwatch.bus import BrokerSettings
from midwatch.instants import instant
from midwatch.interface.commands.status import _lines
from midwatch.interface.page.document import sections_alone
from midwatch.interface.page.page_facts import (
    Choice,
    FaultLine,
    Glance,
    Hours,
    Spoken,
    TargetLine,
    Watched,
)
from midwatch.interface.page.page_sections import sections
from midwatch.interface.progress import NightProgress, conclude
from midwatch.interface.progress.night_progress import NightListener
from midwatch.journal.facts import night_facts as e
from midwatch.journal.store import Event
from midwatch.reports import take_accounts
from midwatch.reports.night_report import render_report
from midwatch.runtime.files import Running, load_orders
from midwatch.runtime.night import NightOutcome
from midwatch.sequencer.night import NightState
from support.interface_bench import write_night
from support.journal_story import CONTEXT, story_night

VIENNA = ZoneInfo("Europe/Vienna")
AT = datetime(2027, 3, 10, 21, 41, 5, tzinfo=UTC)  # 22:41:05 in Vienna
WAITS = f"no target can be imaged before {instant(AT.timestamp())}"
SHOWN = "no target can be imaged before 22:41"
FOREIGN = re.compile(r"UTC|21:41|\dZ\b")
DAEMON = Path(__file__).parents[3]


def decision() -> e.DecisionMade:
    return e.DecisionMade(duty="wait", args={}, rule="waiting", reason=WAITS,
                          ruled_out=(("M 101", WAITS),))  # fmt: skip


def test_the_status_shows_the_sites_time() -> None:
    running = Running(pid=1, site="S", rig="R", timezone="Europe/Vienna", devices=(),
                      broker=BrokerSettings(), heartbeat_s=10.0, start=AT)  # fmt: skip
    night = NightState(at=AT, night="2027-03-10", phase="running", activity="fault", duty="wait",
                       args={}, reason=WAITS, target=None, lights_accepted=0, lights_wanted=4,
                       paused=False, closing=False, open_faults=(), dusk=AT, dawn=AT)  # fmt: skip
    state = {"connected": True, "at_rest": False, "fault": WAITS}
    device = {"online": True, "at": AT.isoformat(), "state": state, "turned_away": {}}
    text = "\n".join(_lines(running, night, {"mount": device}))
    assert "as of 22:41:05 CET" in text
    assert text.count(SHOWN) == 2
    assert not FOREIGN.search(text)


def test_the_report_shows_the_sites_time() -> None:
    night = story_night()
    last = night.events[-1]
    said = [
        decision(),
        e.Notice(message=WAITS),
        e.FaultBegan(fault_id="z", device="mount", fault="limit", message=WAITS),
        e.FaultEnded(fault_id="z", how="cleared"),
    ]
    events = [*night.events[:-1], *(Event(last.seq, last.at_utc_s, last.night, fact, "")
                                    for fact in said), last]  # fmt: skip
    page = render_report(take_accounts(events, night.folder, CONTEXT), night.folder, CONTEXT)
    shown = re.sub(r' datetime="[^"]*"', "", page)
    assert shown.count(SHOWN) >= 4
    assert not re.search(r"\dT\d\d:\d\d:\d\dZ|\d UTC|>UTC<", shown)


def test_the_page_shows_the_sites_time() -> None:
    at_s = AT.timestamp()
    night = Glance(
        at_utc_s=at_s, site="S", rig="R", timezone="Europe/Vienna", evening="2027-03-10",
        phase="running", doing="waiting", since_utc_s=at_s, target=None, paused=False,
        closing=False, ending="", choice=Choice(at_s, "wait", WAITS, (("M 101", WAITS),)),
        ahead=(), hours=Hours(None, at_s - 60.0, at_s + 60.0, None, -30.0), ledger=None,
        targets=(TargetLine("M 3", 3, 9, 300.0, 900.0, WAITS),),
        faults=(FaultLine(at_s, None, "mount", WAITS, "reconnect"),),
        spoken=(Spoken(at_s, "", "notice", WAITS),), frame=None,
    )  # fmt: skip
    mount = {"online": True, "at": None, "turned_away": {}, "state": {"fault": WAITS}}
    watched = Watched(at_s, night, ("mount",), {"mount": mount}, 10.0, True, {})
    shown = re.sub(r' datetime="[^"]*"', "", sections_alone(sections(watched)))
    assert shown.count(SHOWN) >= 6
    assert not FOREIGN.search(shown)


def test_before_any_night_is_planned_the_page_shows_the_sites_time() -> None:
    watched = Watched(AT.timestamp(), None, (), {}, 10.0, True, {}, "Europe/Vienna")
    assert "22:41:05 (Europe/Vienna)" in sections_alone(sections(watched))


@pytest.fixture
def progress(tmp_path: Path) -> NightProgress:
    return NightProgress(load_orders(write_night(tmp_path)), "a night")


def test_lines_of_a_running_night_show_the_sites_time(
    progress: NightProgress, capsys: pytest.CaptureFixture[str]
) -> None:
    fault = e.FaultBegan(fault_id="z", device="mount", fault="limit", message=WAITS)
    NightListener(progress, None)(Event(1, AT.timestamp(), "2027-03-10", fault, ""))
    assert capsys.readouterr().err == f"22:41  fault, mount: {SHOWN}\n"


def test_the_end_of_a_night_shows_the_sites_time(tmp_path: Path) -> None:
    night = story_night()
    summary = take_accounts(night.events, night.folder, CONTEXT).summary
    fault = summary.faults[0].model_copy(update={"began": "2027-03-10T21:41:05Z", "ended": None,
                                                 "message": WAITS})  # fmt: skip
    outcome = NightOutcome(
        night="2027-03-10", timezone="Europe/Vienna", folder=tmp_path,
        summary=summary.model_copy(update={"faults": [fault]}), summary_path=tmp_path,
        report_path=tmp_path, promises_kept=True, interrupted=False,
    )  # fmt: skip
    out = io.StringIO()
    with redirect_stdout(out):
        conclude(outcome, argparse.Namespace(json=False))
    assert "from 22:41" in out.getvalue() and SHOWN in out.getvalue()
    assert not FOREIGN.search(out.getvalue())


def test_an_alignment_shows_the_sites_time() -> None:
    seen: list[str] = []
    Narrator(seen.append, VIENNA, has_roof=False).hear(
        Event(1, AT.timestamp(), "p", e.DecisionMade(duty="halt", args={}, rule="limits",
                                                     reason=WAITS), "")
    )  # fmt: skip
    assert seen[0].startswith(f"22:41:05  STOPPED: {SHOWN};")


def test_texts_below_the_screens_hold_instants_and_no_times_of_day() -> None:
    """What formats a time of day itself mixes zones on whichever screen it ends."""
    rooms = ("sequencer", "journal", "devices", "learning", "planning", "imaging", "bus", "bound")
    sources = [path for room in rooms for path in (DAEMON / "daemon/midwatch" / room).rglob("*.py")]
    sources += [*(DAEMON / "plugins").rglob("*.py"), *(DAEMON / "simulators").rglob("*.py")]
    assert len(sources) > 200
    found = [path.name for path in sources if re.search(r"%H:%M|%X|\} ?UTC", path.read_text())]
    assert found == []
