"""The calendar over a month, in virtual time."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest

from midwatch.clock import VirtualClock
from midwatch.sequencer.night import NightCalendar
from midwatch.sequencer.night.calendar import SunAltitudeTrigger
from midwatch.sky import Observer, Place, sun_altaz
from midwatch.virtual_time import run_virtual

HOLLOW = Place(46.2, 13.4, 1200.0)
ZONE = "Europe/Vienna"


def test_thirty_days_bring_each_noon_and_each_dusk_once() -> None:
    clock = VirtualClock(datetime(2027, 3, 1, 9, 0, tzinfo=UTC))
    armed: list[tuple[date, datetime]] = []
    dusks: list[datetime] = []

    async def main() -> None:
        async def dusk() -> None:
            dusks.append(clock.now())

        calendar = NightCalendar(
            clock, HOLLOW, ZONE, on_arm=lambda evening: armed.append((evening, clock.now()))
        )
        calendar.at_sun("dusk", -18.0, rising=False, action=dusk)
        async with calendar:
            await clock.sleep(30 * 86400.0)

    run_virtual(main)
    assert [evening for evening, _ in armed] == [
        date(2027, 3, 1) + timedelta(days=n) for n in range(30)
    ]
    # Noon in Vienna is 11:00 UTC in winter and 10:00 from the last Sunday of March on (directive
    # 2000/84/EC of the European Union).
    hours = [at.hour for _, at in armed]
    assert hours == [11] * 27 + [10] * 3
    assert all((at.minute, at.second) == (0, 0) for _, at in armed)
    assert len(dusks) == 30
    for at in dusks:
        altitude_deg = float(sun_altaz(Observer(HOLLOW), at.timestamp()).alt_deg)
        assert altitude_deg == pytest.approx(-18.0, abs=0.01)
    gaps = [(b - a).total_seconds() for a, b in pairwise(dusks)]
    assert all(86400.0 < gap < 86400.0 + 180.0 for gap in gaps)  # later each day in spring


def test_an_altitude_the_sun_never_has_gives_no_event() -> None:
    trigger = SunAltitudeTrigger(Observer(HOLLOW), 80.0, rising=True)
    assert trigger.get_next_fire_time(None, datetime(2027, 5, 1, tzinfo=UTC)) is None
