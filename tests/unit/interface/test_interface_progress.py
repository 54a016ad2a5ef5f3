"""What is shown while a night goes on, and what it is said to have come to."""

from __future__ import annotations

import argparse
import io
import math
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime
from pathlib import Path

import ephem
import pytest
from rich.console import Console

from midwatch.interface.progress import NightProgress, conclude
from midwatch.interface.progress.night_progress import NightListener, panel
from midwatch.journal.facts import night_facts as e
from midwatch.journal.promises import Promise
from midwatch.journal.store import Event
from midwatch.reports import NightSummary, Reach, take_accounts
from midwatch.runtime.files import load_orders
from midwatch.runtime.night import NightOutcome
from support.interface_bench import logs_left_alone, write_night
from support.journal_story import CONTEXT, NIGHT, story_night

EVENING = datetime(2027, 3, 10, 18, 0, tzinfo=UTC)  # 19:00 in Vienna


def event(minutes: float, fact: e.Fact) -> Event:
    return Event(1, EVENING.timestamp() + 60.0 * minutes, "2027-03-10", fact, "")


def began(dusk_min: float, dawn_min: float) -> e.NightBegan:
    base = EVENING.timestamp()
    return e.NightBegan(night="2027-03-10", site="S", rig="R", evening="2027-03-10", seed=1,
                        rehearsal=True, sky_mode=None, dusk_utc_s=base + 60 * dusk_min,
                        dawn_utc_s=base + 60 * dawn_min, orders_sha256="", version="0")  # fmt: skip


def light(exposure_id: str) -> e.FrameBegun:
    return e.FrameBegun(exposure_id=exposure_id, frame="light", target="M 101", order_index=0,
                        filter=None, exposure_s=240, gain=0, offset=0, binning=1)  # fmt: skip


def planned(count: int) -> e.TargetPlanned:
    return e.TargetPlanned(target="M 101", ra_deg=0.0, dec_deg=0.0, priority=1,
                           wanted=((None, 240.0, count),), windows_utc_s=(),
                           transit_utc_s=None)  # fmt: skip


STORY = (
    event(0, began(30, 330)),
    event(0, planned(12)),
    event(1, e.Activity(cause="preparing")),
    event(45, e.DecisionMade(duty="expose", args={"target": "M 101"}, rule="next_frame",
                             reason="12 frames still wanted")),
    event(46, light("a")),
    event(50, e.FrameGraded(exposure_id="a", grade="accepted")),
    event(50, light("b")),
    event(51, e.FrameGraded(exposure_id="b", grade="rejected", reasons=("trailed",))),
    event(91, e.Activity(cause="open_shutter")),
    event(95, e.FaultBegan(fault_id="1", device="camera", fault="silent", message="unplugged?")),
    event(96, e.OperatorSpoke(command="skip", who="me@hut", why="clouds there", target="M 101")),
    event(180, e.NightEnded(how="all is done", parked=True, warm=True, closed=True)),
)  # fmt: skip


def seen(folder: Path) -> tuple[NightProgress, list[str]]:
    night = load_orders(write_night(folder))
    progress = NightProgress(night, "a night")
    err = io.StringIO()
    with logs_left_alone(), redirect_stderr(err):
        listener = NightListener(progress, None)
        for happened in STORY:
            listener(happened)
    return progress, err.getvalue().splitlines()


def test_without_a_terminal_a_line_comes_now_and_then(tmp_path: Path) -> None:
    _, lines = seen(tmp_path)
    # One line when the night begins and one after each half hour, in local time; faults, orders
    # by hand and the end of the night at once.
    assert [line[:5] for line in lines] == [
        "19:00", "19:45", "20:31", "20:35", "20:36", "22:00"
    ]  # fmt: skip
    assert "1 of 12 accepted, 1 rejected" in lines[2]
    assert lines[3] == "20:35  fault, camera: unplugged?"
    assert lines[4] == "20:36  by hand, me@hut: skip M 101 (clouds there)"
    assert lines[5] == "22:00  the night ended: all is done"


def test_a_terminal_shows_where_the_night_stands(tmp_path: Path) -> None:
    progress, _ = seen(tmp_path)
    console = Console(file=io.StringIO(), width=90, record=True)
    console.print(panel(progress))
    text = console.export_text()
    assert "22:00:00" in text
    # Three of the five dark hours less half an hour have passed: 150 of 300 minutes.
    assert progress.dark_fraction() == pytest.approx(0.5)
    assert "dusk " + "━" * 15 + "─" * 15 + " dawn" in text
    assert "expose: 12 frames still wanted" in text


def test_the_altitude_is_that_of_the_target(tmp_path: Path) -> None:
    progress, _ = seen(tmp_path)
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure = "46.2", "13.4", 0
    observer.date = ephem.Date("2027/03/10 21:00:00")
    body = ephem.FixedBody()
    # M 101 in the SIMBAD database: 14h03m12.6s +54d20m57s (from memory).
    body._ra, body._dec, body._epoch = "14:03:12.6", "54:20:57", ephem.J2000
    body.compute(observer)
    assert progress.target_text() == f"M 101, {math.degrees(body.alt):.0f} deg up"


@pytest.mark.parametrize(("ok", "code"), [(True, 0), (None, 0), (False, 1)])
def test_a_broken_promise_is_said_in_words_and_in_the_exit_code(
    tmp_path: Path, ok: bool | None, code: int
) -> None:
    promise = Promise(number=4, text="Every frame is on disk", ok=ok, detail="frame 7 is missing")
    said, returned = concluded(tmp_path, story_summary(), promise)
    assert returned == code
    broken = "BROKEN 4: Every frame is on disk: frame 7 is missing"
    assert (broken in said) is (ok is False)


@pytest.mark.parametrize(("bound_s", "seen"), [(25_200.0, "7 h 00 min"), (None, None)])
def test_what_perfect_knowledge_could_have_had_is_said_where_it_is_known(
    tmp_path: Path, bound_s: float | None, seen: str | None
) -> None:
    reach = None if bound_s is None else Reach(had_s=18_900.0, bound_s=bound_s)
    promise = Promise(number=4, text="Every frame is on disk", ok=True, detail="")
    said, _ = concluded(tmp_path, story_summary(reach), promise)
    line = f"  5 h 15 min kept of the {seen} that perfect knowledge could have had, 75%\n"
    assert (line in said) is (bound_s is not None)
    assert ("perfect knowledge" in said) is (bound_s is not None)


def story_summary(reach: Reach | None = None) -> NightSummary:
    night = story_night()
    return take_accounts(night.events, night.folder, CONTEXT, measure=lambda *_: reach).summary


def concluded(folder: Path, summary: NightSummary, promise: Promise) -> tuple[str, int]:
    """Return what is said at the end of a night, and the exit code."""
    outcome = NightOutcome(
        night=NIGHT,
        timezone="Europe/Vienna",
        folder=folder,
        summary=summary.model_copy(update={"promises": [promise]}),
        summary_path=folder / "night.json",
        report_path=folder / "report.html",
        promises_kept=promise.ok is not False,
        interrupted=False,
    )
    out = io.StringIO()
    with redirect_stdout(out):
        code = conclude(outcome, argparse.Namespace(json=False))
    return out.getvalue(), code


def test_a_frame_taken_back_is_counted_under_its_last_grade(tmp_path: Path) -> None:
    progress = NightProgress(load_orders(write_night(tmp_path)), "a night")
    for fact in (planned(12), light("a"), e.FrameGraded(exposure_id="a", grade="accepted")):
        progress.take(event(1, fact))
    assert progress.frames_text() == "1 of 12 accepted"
    progress.take(
        event(2, e.FrameRegraded(exposure_id="a", grade="rejected", reasons=("cloud",),
                                 before="accepted", compared=7))
    )  # fmt: skip
    assert progress.frames_text() == "0 of 12 accepted, 1 rejected"


def test_the_count_goes_on_after_a_restart_and_follows_new_orders(tmp_path: Path) -> None:
    progress = NightProgress(load_orders(write_night(tmp_path)), "a night")
    earlier = [planned(12), light("a"), e.FrameGraded(exposure_id="a", grade="accepted")]
    err = io.StringIO()
    with logs_left_alone(), redirect_stderr(err):
        listener = NightListener(progress, None)
        listener.recall([event(1, fact) for fact in earlier])
        assert err.getvalue() == ""
        listener(event(2, planned(30)))
    assert "1 of 30 accepted" in err.getvalue()


def test_one_thing_has_one_percentage(tmp_path: Path) -> None:
    """What is said at the end is what the report says, of the same hours."""
    summary = story_summary()
    promise = Promise(number=4, text="Every frame is on disk", ok=True, detail="")
    said, _ = concluded(tmp_path, summary, promise)
    assert summary.yield_.fraction is not None
    assert f"usable, {summary.yield_.fraction:.0%}\n" in said
    assert said.count("%") == 1
