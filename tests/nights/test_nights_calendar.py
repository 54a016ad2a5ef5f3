"""The calendar over a month, in virtual time."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from midwatch.clock import VirtualClock
from midwatch.sequencer.night import NightCalendar
from midwatch.sky import Place
from midwatch.virtual_time import run_virtual

HOLLOW = Place(46.2, 13.4, 1200.0)
ZONE = "Europe/Vienna"


def test_a_week_in_which_the_clocks_change_brings_each_noon_once() -> None:
    clock = VirtualClock(datetime(2027, 3, 25, 9, 0, tzinfo=UTC))
    armed: list[tuple[date, datetime]] = []

    async def main() -> None:
        calendar = NightCalendar(
            clock, HOLLOW, ZONE, on_arm=lambda evening: armed.append((evening, clock.now()))
        )
        async with calendar:
            await clock.sleep(6 * 86400.0)

    run_virtual(main)
    assert [evening for evening, _ in armed] == [
        date(2027, 3, 25) + timedelta(days=n) for n in range(6)
    ]
    # Noon in Vienna is 11:00 UTC in winter and 10:00 from the last Sunday of March on (directive
    # 2000/84/EC of the European Union).
    hours = [at.hour for _, at in armed]
    assert hours == [11] * 3 + [10] * 3
    assert all((at.minute, at.second) == (0, 0) for _, at in armed)
