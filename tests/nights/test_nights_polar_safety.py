"""Polar alignments in which weather, roof, mount or person end it: parked, closed, and told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from midwatch.sky import Observer, sun_altaz
from support.polar_bench import DRIFT, GUIDE, Aligned, AtTheKnobs, Rig, aligned, utc_s

JUNE = date(2027, 6, 21)
# Of the site: until then the telescope must be parked and the roof closed.
CLOSE_WITHIN_S = 240.0
# Readings older than this count as none.
STALE_S = 180.0
# A reading a minute, and a look at the weather a minute.
NOTICED_S = 120.0


def check_shelter(night: Aligned, unsafe_s: float, noticed_s: float) -> None:
    """Demand by the truth: parked first, then closed, in time, and so to the end."""
    stopped = night.result.stopped
    assert stopped is not None
    assert unsafe_s <= stopped.at_s + 1.0
    assert stopped.at_s <= unsafe_s + noticed_s
    assert night.parked_s() <= night.closing_s()
    assert night.closed_s() <= unsafe_s + noticed_s + CLOSE_WITHIN_S
    assert night.witness.moved_under_roof() == []
    assert night.result.not_put_away == ()
    assert (night.promise(1), night.promise(3)) == (True, True)


@pytest.mark.parametrize(
    ("at", "options"),
    [
        pytest.param("19:45:00", DRIFT, id="while it slews"),
        pytest.param("19:48:00", DRIFT, id="while it exposes"),
        pytest.param("19:47:00", GUIDE, id="while a person is at the knobs"),
    ],
)
def test_rain_ends_an_alignment_at_once(at: str, options: object, tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=(f"rain@{at}+1h",), options=options))
    check_shelter(night, utc_s(at), NOTICED_S)
    assert night.result.stopped.why == "rain"
    assert night.result.found.measured is None or options is GUIDE
    # Whoever stands beside the mount is told before it moves.
    told = [line for line in night.lines if "STOPPED: rain" in line]
    assert "the mount parks now, then the roof closes: keep clear" in told[0]
    assert night.duties()[-3:] == ["align", "secure", "close"]


@pytest.mark.parametrize(
    ("fault", "why", "noticed_s"),
    [
        ("weather-silent@19:46:30+1h", "s old, more than 180 s", STALE_S + NOTICED_S),
        ("gust@19:46:30+1h", "over the limit", NOTICED_S + 60.0),
        ("dew@19:46:30+2h", "humidity", NOTICED_S + 600.0),
    ],
)
def test_weather_that_turns_or_falls_silent_ends_an_alignment(
    fault: str, why: str, noticed_s: float, tmp_path: Path
) -> None:
    night = aligned(tmp_path, Rig(faults=(fault,), options=DRIFT))
    check_shelter(night, utc_s("19:46:30"), noticed_s)
    assert why in night.result.stopped.why


@pytest.mark.parametrize("fault", ["rain@19:00+3h", "gust@19:00+3h"])
def test_in_bad_weather_nothing_is_opened_and_nothing_moves(fault: str, tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=(fault,)))
    assert not night.opened()
    assert not night.moved()
    assert "nothing is opened" in night.result.stopped.why
    assert night.result.not_put_away == ()
    assert night.result.ended_s - night.result.began_s < 300.0


def test_under_a_roof_that_does_not_open_nothing_moves(tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=("roof-stays-shut@19:30+3h",)))
    assert not night.moved()
    assert "does not move" in night.result.stopped.why
    assert night.result.not_put_away == ()


def test_a_roof_that_says_closed_when_it_is_open_keeps_the_mount_parked(tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=("roof-sensor-lies@19:45:00+5m",)))
    assert not night.moved()
    assert "does not confirm that it is open" in night.result.stopped.why
    # It is closed all the same, whatever its sensor says.
    assert night.witness.open_fraction(night.result.ended_s) == 0.0
    assert night.result.not_put_away == ()


def test_a_roof_that_suddenly_says_closed_has_the_mount_parked_under_it(tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=("roof-sensor-lies@19:47:00+5m",), options=DRIFT))
    # Common practice, no source: parking from anywhere takes less than a minute and a half.
    assert utc_s("19:47:00") <= night.parked_s() <= utc_s("19:48:30")
    assert night.duties()[3:5] == ["secure", "close"]
    assert any("the roof does not say that it is open" in line for line in night.lines)
    assert night.witness.moved_under_roof() == []
    assert night.witness.open_fraction(night.result.ended_s) == 0.0
    assert night.result.not_put_away == ()


@pytest.mark.parametrize("clears", [False, True])
def test_over_a_mount_that_does_not_park_only_a_roof_that_clears_it_closes(
    clears: bool, tmp_path: Path
) -> None:
    faults = ("mount-stalls@19:47+25m", "rain@19:47:30+20m")
    roof = "clears_telescope: true" if clears else ""
    night = aligned(tmp_path, Rig(faults=faults, options=DRIFT, roof=roof))
    shut_s = utc_s("19:47:30") + NOTICED_S + 2.0 * CLOSE_WITHIN_S
    assert not night.witness.parked_at(shut_s)
    assert night.witness.open_fraction(shut_s) == (0.0 if clears else 1.0)
    # That is no kept promise, and it is tried until it is done.
    assert night.promise(3) is False
    assert not night.result.promises_kept
    assert night.witness.parked_at(night.result.ended_s)
    assert night.witness.open_fraction(night.result.ended_s) == 0.0
    assert any("NOT PUT AWAY" in line for line in night.lines)


def test_a_mount_that_never_parks_is_left_to_the_person_and_named(tmp_path: Path) -> None:
    night = aligned(tmp_path, Rig(faults=("mount-stalls@19:47+10h",), options=DRIFT))
    (left,) = night.result.not_put_away
    assert "the mount is not parked and the roof is not closed" in left
    assert not night.result.promises_kept
    # In safe weather nobody waits for hours.
    assert night.result.ended_s - night.result.began_s < 3600.0


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("mount-limit-hit@19:47:10", "stopped tracking"),
        ("tracking-lost@19:47:10", "stopped tracking"),
        ("camera-unplugged@19:47:10+20m", "camera"),
        ("mount-power-lost@19:47:10+1m", "mount"),
    ],
)
def test_a_device_in_trouble_ends_an_alignment_the_same_way(
    fault: str, why: str, tmp_path: Path
) -> None:
    night = aligned(tmp_path, Rig(faults=(fault,), options=DRIFT))
    assert why in night.result.stopped.why
    assert night.result.found.failure is not None
    assert night.parked_s() <= night.closing_s() < night.closed_s()
    assert night.witness.moved_under_roof() == []
    assert night.result.not_put_away == ()
    assert night.promise(1) is True


def test_the_person_ends_it_and_the_rig_is_put_away(tmp_path: Path) -> None:
    def heard(person: AtTheKnobs, line: str) -> None:
        if line.startswith("field 2"):
            assert person.interrupt()

    night = aligned(tmp_path, Rig(heard=heard))
    assert night.result.stopped.by_hand
    assert night.parked_s() <= night.closing_s() < night.closed_s()
    assert night.result.not_put_away == ()
    assert night.result.promises_kept
    assert not any(line.startswith("field 3") for line in night.lines)


def test_guidance_that_the_person_ends_is_no_interruption(tmp_path: Path) -> None:
    def heard(person: AtTheKnobs, line: str) -> None:
        if "arcmin off" in line and sum("arcmin off" in seen for seen in lines) == 1:
            person.interrupt()
        lines.append(line)

    lines: list[str] = []
    night = aligned(tmp_path, Rig(heard=heard, options=GUIDE))
    assert night.result.stopped is None
    assert night.result.found.guided.ended == "stopped"
    assert night.result.promises_kept


def test_a_standing_order_to_close_holds_in_an_alignment_too(tmp_path: Path) -> None:
    orders = "standing_orders:\n  - {when: clouds, trip: 60, do: close, at: at_once}\n"
    rig = Rig(faults=("cloud-bands@19:46:30+1h",), options=DRIFT, orders=orders)
    night = aligned(tmp_path, rig)
    assert "clouds" in night.result.stopped.why
    assert night.parked_s() <= night.closing_s() < night.closed_s()
    assert night.result.promises_kept


def test_daylight_ends_an_alignment(tmp_path: Path) -> None:
    """At midsummer in the north the Sun is lower than 8 deg for an hour and a half.

    Arithmetic: at 58.2 degrees it goes down to 58.2 - 90 + 23.4 = -8.4 degrees.
    """
    options = replace(DRIFT, drift_min=60.0)
    rig = Rig(options=options, orders="sun_below_deg: 8.1\n", latitude_deg=58.2, evening=JUNE)
    night = aligned(tmp_path, rig)
    assert "too bright for stars" in night.result.stopped.why
    sun_deg = float(
        sun_altaz(Observer(night.result.night.place), night.result.stopped.at_s).alt_deg
    )
    assert sun_deg == pytest.approx(-8.0, abs=0.02)
    assert night.parked_s() <= night.closing_s() < night.closed_s()
    assert night.result.promises_kept


def test_frames_of_a_night_stay_in_the_spool(tmp_path: Path) -> None:
    """Connecting collects them for whoever knows them, and an alignment does not."""
    night = aligned(tmp_path, Rig())
    assert night.result.stopped is None
    connects = [fact for _, fact in night.of("duty_began") if fact.duty == "connect"]
    assert [fact.args for fact in connects] == [{"spool": "leave"}]
    assert night.duties() == ["connect", "open", "align", "close"]
