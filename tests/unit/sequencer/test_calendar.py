"""The calendar around nights, under virtual time."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.schedulers.base import BaseScheduler

from midwatch.clock import VirtualClock
from midwatch.errors import StopError
from midwatch.sequencer.night import NightCalendar
from midwatch.sequencer.night.calendar import ClockScheduler, NoonTrigger
from midwatch.sky import Observer, Place
from midwatch.virtual_time import run_virtual

HOLLOW = Place(46.2, 13.4, 1200.0)
ZONE = "Europe/Vienna"


class SteppedClock(VirtualClock):
    """A virtual clock whose calendar can be set, as an operator or a time service does."""

    step_s = 0.0

    def now(self) -> datetime:
        return super().now() + timedelta(seconds=self.step_s)

    def unix_s(self) -> float:
        return super().unix_s() + self.step_s


def test_noon_follows_the_clocks_of_the_zone() -> None:
    # Clocks in the European Union go forward on the last Sunday of March (directive 2000/84/EC).
    trigger = NoonTrigger(Observer(HOLLOW), ZONE)
    saturday = datetime(2027, 3, 27, 11, 0, tzinfo=UTC)
    assert trigger.get_next_fire_time(None, saturday) == saturday
    sunday = trigger.get_next_fire_time(saturday, saturday)
    assert sunday == datetime(2027, 3, 28, 10, 0, tzinfo=UTC)


def test_a_clock_set_forward_calls_what_was_missed_once_and_soon() -> None:
    clock = SteppedClock(datetime(2027, 3, 1, 9, 0, tzinfo=UTC))
    armed: list[tuple[date, float]] = []

    async def main() -> None:
        calendar = NightCalendar(
            clock, HOLLOW, ZONE, on_arm=lambda evening: armed.append((evening, clock.mono()))
        )
        async with calendar:
            await clock.sleep(600.0)
            clock.step_s = 3 * 86400.0 + 4 * 3600.0  # past four noons
            await clock.sleep(3600.0)

    run_virtual(main)
    ((evening, at_s),) = armed
    assert evening == date(2027, 3, 4)
    assert 600.0 <= at_s <= 630.0


def test_a_clock_set_back_does_not_lose_the_nights_between() -> None:
    clock = SteppedClock(datetime(2027, 3, 1, 9, 0, tzinfo=UTC))
    clock.step_s = 5 * 86400.0  # the machine started with a wrong date
    armed: list[date] = []

    async def main() -> None:
        async with NightCalendar(clock, HOLLOW, ZONE, on_arm=armed.append):
            await clock.sleep(600.0)
            clock.step_s = 0.0
            await clock.sleep(2 * 86400.0)

    run_virtual(main)
    assert armed == [date(2027, 3, 1), date(2027, 3, 2)]


def test_a_night_that_cannot_be_armed_does_not_end_the_calendar() -> None:
    clock = VirtualClock(datetime(2027, 3, 1, 9, 0, tzinfo=UTC))
    asked: list[date] = []

    def fail_once(evening: date) -> None:
        asked.append(evening)
        if len(asked) == 1:
            raise OSError("disk gone")

    async def main() -> None:
        async with NightCalendar(clock, HOLLOW, ZONE, on_arm=fail_once):
            await clock.sleep(1.1 * 86400.0)

    run_virtual(main)
    assert asked == [date(2027, 3, 1), date(2027, 3, 2)]


@pytest.mark.parametrize(
    ("where", "name"),
    [(BaseScheduler, "_process_jobs"), (AsyncIOScheduler, "_start_timer")],
)
def test_a_library_that_keeps_time_otherwise_is_refused(
    monkeypatch: pytest.MonkeyPatch, where: type, name: str
) -> None:
    monkeypatch.setattr(where, name, lambda *_: None)

    async def main() -> None:
        with pytest.raises(StopError, match=f"{name}; install the version that Midwatch names"):
            ClockScheduler(VirtualClock(datetime(2027, 3, 1, tzinfo=UTC)))

    run_virtual(main)
