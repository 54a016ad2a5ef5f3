"""A night on a scaled clock is taken up where its journal ends, never before."""

from __future__ import annotations

import argparse
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from midwatch.clock import VirtualClock
from midwatch.interface.cli.arguments import build_parser
from midwatch.interface.commands.run import _again, _start_of
from midwatch.journal.facts import Activity, NightBegan, NightEnded
from midwatch.journal.store import Journal
from midwatch.runtime.files import load_orders
from midwatch.virtual_time import run_virtual
from support.interface_bench import write_night

START = datetime(2027, 3, 10, 17, 20, tzinfo=UTC)


def journal_until(folder: Path, hours: float, *, ended: bool) -> None:
    clock = VirtualClock(START)

    async def inform() -> None:
        journal = Journal.open(folder / "journal.sqlite", clock, durable=False)
        journal.begin_night("2027-03-10")
        journal.append(
            NightBegan(night="2027-03-10", site="S", rig="R", evening="2027-03-10", seed=1,
                       rehearsal=False, sky_mode=None, dusk_utc_s=0.0, dawn_utc_s=1.0,
                       orders_sha256="", version="0")
        )  # fmt: skip
        await clock.sleep(hours * 3600.0)
        journal.append(Activity(cause="open_shutter"))
        if ended:
            journal.append(NightEnded(how="dawn", parked=True, warm=True, closed=True))
        journal.close()

    run_virtual(inform)


def words(folder: Path, **changes: object) -> argparse.Namespace:
    given = ["run", str(folder / "orders.yaml"), "--out", str(folder), "--speed", "60",
             "--start", "2027-03-10T17:20Z"]  # fmt: skip
    args = build_parser().parse_args(given)
    return argparse.Namespace(**{**vars(args), **changes})


@pytest.mark.parametrize(
    ("hours", "ended", "anchor", "begins_after_h"),
    [(4.0, False, None, 4.0), (4.0, True, None, 0.0), (4.0, False, 1.0, 0.0)],
    ids=["killed", "ended", "its time has gone on"],
)
def test_scaled_time_goes_on_where_the_journal_ends(
    tmp_path: Path, hours: float, ended: bool, anchor: float | None, begins_after_h: float
) -> None:
    night = load_orders(write_night(tmp_path))
    journal_until(tmp_path, hours, ended=ended)
    begins = _start_of(night, words(tmp_path, anchor=anchor))
    assert begins == START + timedelta(hours=begins_after_h)


def test_a_night_without_a_journal_begins_as_ordered(tmp_path: Path) -> None:
    night = load_orders(write_night(tmp_path))
    assert _start_of(night, words(tmp_path)) == START


def test_the_command_that_takes_a_night_up_again_is_whole(tmp_path: Path) -> None:
    args = words(tmp_path, evening=date(2027, 3, 10), seed=7, sky="fast")
    again = _again(args)
    assert again == (
        f"midwatch run {tmp_path}/orders.yaml --out {tmp_path} --evening 2027-03-10 --seed 7 "
        "--sky fast --start 2027-03-10T17:20:00Z --speed 60"
    )
    assert vars(build_parser().parse_args(again.split()[1:]))["start"] == START
