"""Answers from the journal: which decision was in force, and what had been ruled out."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from midwatch.clock import VirtualClock
from midwatch.errors import InputError
from midwatch.interface.commands.why import answer_at, instant_in_night
from midwatch.interface.console import duty_text
from midwatch.journal.facts import night_facts as e
from midwatch.journal.store import Journal
from midwatch.runtime.files import load_orders
from midwatch.runtime.folder import Surroundings
from midwatch.virtual_time import run_virtual
from support.interface_bench import midwatch, write_night

VIENNA = ZoneInfo("Europe/Vienna")
BEGAN = datetime(2027, 3, 10, 18, 0, tzinfo=UTC)  # 19:00 in Vienna
WINDOWS = ("IC 405", "its windows are over for tonight")


def decision(duty: str, reason: str, **args: str | float) -> e.DecisionMade:
    return e.DecisionMade(duty=duty, args=args, rule="next_frame", reason=reason,
                          ruled_out=(WINDOWS,))  # fmt: skip


STORY: tuple[tuple[float, e.Fact], ...] = (
    (0, e.NightBegan(night="2027-03-10", site="Test Field", rig="Bench", evening="2027-03-10",
                     seed=1, rehearsal=True, sky_mode="fast",
                     dusk_utc_s=BEGAN.timestamp() + 3600, dawn_utc_s=BEGAN.timestamp() + 36000,
                     orders_sha256="0" * 64, version="0")),
    (10, decision("slew", "best target now", target="M 101")),
    (10, e.DutyBegan(duty="slew", args={"target": "M 101"})),
    (10, e.Activity(cause="slewing")),
    (70, e.DutyEnded(duty="slew", outcome="done", took_s=60)),
    (70, decision("expose", "12 frames still wanted", target="M 101", exposure_s=240.0)),
    (70, e.DutyBegan(duty="expose", args={"target": "M 101"})),
    (75, e.Activity(cause="open_shutter", detail="M 101")),
    (320, e.DutyEnded(duty="expose", outcome="done", took_s=250)),
    (320, decision("finish", "all is done")),
    (321, e.NightEnded(how="all is done", parked=True, warm=True, closed=True)),
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    clock = VirtualClock(BEGAN)

    async def inform() -> None:
        journal = Journal.open(tmp_path / "journal.sqlite", clock, durable=False)
        journal.begin_night("2027-03-10")
        for at_s, fact in STORY:
            await clock.sleep(at_s - clock.mono())
            journal.append(fact)
        journal.close()

    run_virtual(inform)
    Surroundings.of(load_orders(write_night(tmp_path))).write(tmp_path / "2027-03-10")
    return tmp_path


def test_the_decision_in_force_is_shown_with_its_reason(folder: Path) -> None:
    said = midwatch("why", "19:02", "--out", folder)
    assert said.code == 0
    assert "19:02:00 CET, night of 2027-03-10, Test Field" in said.out
    assert "expose (target M 101, exposure 240 s), since 19:01:10, 50 s" in said.out
    assert "12 frames still wanted [rule: next_frame]" in said.out
    assert "shutter open (M 101), since 19:01:15, 45 s" in said.out
    assert "IC 405: its windows are over for tonight" in said.out
    assert "19:05:20 finish: all is done" in said.out


def test_json_is_pure_and_whole(folder: Path) -> None:
    answer = midwatch("why", "18:00:30", "--utc", "--json", "--out", folder).json
    assert answer["at"] == "2027-03-10T18:00:30Z"
    assert answer["decision"]["duty"] == "slew"
    assert answer["decision"]["since"] == "2027-03-10T18:00:10Z"
    assert answer["decision"]["ruled_out"] == [{"option": WINDOWS[0], "reason": WINDOWS[1]}]
    assert answer["duty"]["duty"] == "slew"
    assert answer["activity"]["cause"] == "slewing"
    assert answer["next"] == {
        "at": "2027-03-10T18:01:10Z",
        "duty": "expose",
        "reason": "12 frames still wanted",
    }
    assert answer["ended"] is None


def test_the_instant_of_a_decision_belongs_to_it(folder: Path) -> None:
    assert midwatch("why", "18:01:09", "--utc", "--json", "--out", folder).json["decision"][
        "duty"
    ] == "slew"  # fmt: skip
    assert midwatch("why", "18:01:10", "--utc", "--json", "--out", folder).json["decision"][
        "duty"
    ] == "expose"  # fmt: skip


def test_before_the_beginning_nothing_was_decided(folder: Path) -> None:
    said = midwatch("why", "18:30", "--out", folder)
    assert said.code == 2
    assert "begins at 19:00 CET" in said.err


def test_after_the_end_the_end_is_reported(folder: Path) -> None:
    said = midwatch("why", "04:00", "--out", folder)
    assert said.code == 0
    assert "the night ended at 19:05:21" in said.out


def test_an_unknown_night_is_answered_with_those_there_are(folder: Path) -> None:
    said = midwatch("why", "22:00", "--out", folder, "--night", "2027-03-11")
    assert said.code == 2
    assert "no night '2027-03-11'; it holds 2027-03-10" in said.err


def test_without_a_journal_it_says_where_it_looked(tmp_path: Path) -> None:
    said = midwatch("why", "22:00", "--out", tmp_path)
    assert said.code == 2
    assert f"{tmp_path}/journal.sqlite: there is no journal" in said.err


def test_without_surroundings_the_orders_tell_the_zone(folder: Path) -> None:
    (folder / "2027-03-10" / "surroundings.json").unlink()
    said = midwatch("why", "19:02", "--out", folder)
    assert said.code == 2
    assert "give --orders" in said.err
    said = midwatch("why", "19:02", "--out", folder, "--orders", folder / "orders.yaml")
    assert said.code == 0
    assert "19:02:00 CET" in said.out
    assert midwatch("why", "18:02", "--utc", "--out", folder).code == 0


def test_a_report_is_written_again_from_the_journal(folder: Path) -> None:
    said = midwatch("report", "--out", folder)
    assert said.code == 0
    assert Path(said.out.strip()) == folder / "2027-03-10" / "report.html"
    assert "Test Field" in (folder / "2027-03-10" / "report.html").read_text()
    summary = midwatch("report", "--out", folder, "--json").json
    assert summary["night"] == "2027-03-10"
    assert sum(summary["ledger"].values()) == 32400


def test_surroundings_come_back_as_they_were(tmp_path: Path) -> None:
    night = load_orders(write_night(tmp_path))
    kept = Surroundings.of(night)
    kept.write(tmp_path / "kept")
    context = Surroundings.read(tmp_path / "kept").context()
    assert context.horizon == night.horizon
    assert context.observer.place == night.place
    assert context.timezone == "Europe/Vienna"
    assert context.limits.min_alt_deg == night.rig.limits.min_altitude_deg


# Times of day ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time_of_day", "utc"),
    [
        ((12, 0, 0), datetime(2027, 3, 10, 11, 0, tzinfo=UTC)),
        ((23, 59, 59), datetime(2027, 3, 10, 22, 59, 59, tzinfo=UTC)),
        ((0, 0, 0), datetime(2027, 3, 10, 23, 0, tzinfo=UTC)),
        ((11, 59, 0), datetime(2027, 3, 11, 10, 59, tzinfo=UTC)),
    ],
)
def test_a_time_of_day_is_sought_from_noon_to_noon(
    time_of_day: tuple[int, int, int], utc: datetime
) -> None:
    assert instant_in_night(date(2027, 3, 10), time_of_day, VIENNA) == utc


def test_of_a_time_that_comes_twice_the_first_is_meant() -> None:
    # Clocks in the European Union go back on the last Sunday of October at 01:00 UTC
    # (directive 2000/84/EC): 02:30 comes at 00:30 and at 01:30 UTC.
    at = instant_in_night(date(2027, 10, 30), (2, 30, 0), VIENNA)
    # Aware datetimes of a repeated hour never compare equal across zones: compare in UTC.
    assert at.astimezone(UTC) == datetime(2027, 10, 31, 0, 30, tzinfo=UTC)


def test_the_site_need_not_be_near_greenwich() -> None:
    sydney = timezone(timedelta(hours=11))
    at = instant_in_night(date(2027, 1, 5), (22, 0, 0), sydney)
    assert at == datetime(2027, 1, 5, 11, 0, tzinfo=UTC)


def test_arguments_that_are_not_there_are_not_shown() -> None:
    assert duty_text("expose", {"filter": None, "exposure_s": 60}) == "expose (exposure 60 s)"
    assert duty_text("wait", {}) == "wait"


def test_of_a_time_still_to_come_nothing_is_answered(folder: Path) -> None:
    events = Journal.open(folder / "journal.sqlite", VirtualClock(BEGAN), durable=False)
    going = list(events.events())[:-1]
    events.close()
    last_s = going[-1].at_utc_s
    now = datetime.fromtimestamp(last_s, VIENNA)
    assert answer_at(going, now + timedelta(seconds=30)).decision is not None
    with pytest.raises(InputError, match="reaches to 19:05:20"):
        answer_at(going, now + timedelta(hours=2))
    # While it runs its clock says how far it has come.
    assert answer_at(going, now + timedelta(hours=2), last_s + 7200.0).decision is not None
    with pytest.raises(InputError, match="has come to 21:05:20"):
        answer_at(going, now + timedelta(hours=3), last_s + 7200.0)
