"""The plan: what a person sees, what a program reads, and how much of the orders fits."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import ephem
import pytest

from midwatch.interface.console import ASCII, UNICODE, altitude_chart, hour_line, hours_text, table
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, plan_night
from midwatch.runtime.files import load_orders
from midwatch.sequencer.decision import Forecast, forecast
from support.interface_bench import ORDERS, RIG, midwatch, write_night

TWO = """\
site: site.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: IC 405
    frames: [{exposure_s: 300, count: 500}]
  - name: M 101
    frames: [{exposure_s: 240, count: 500}, {exposure_s: 60, count: 3}]
"""


def planned(folder: Path, orders: str) -> tuple[Night, NightPlan, Forecast]:
    night = load_orders(write_night(folder, orders=orders))
    assert night.orders.evening is not None
    plan = plan_night(night, night.orders.evening)
    return night, plan, forecast(night, plan)


FORK = RIG + "mount: {geometry: fork, hour_angle_min: 360, pole_distance_deg: 5}\n"


def test_the_plan_of_a_fork_does_not_speak_of_flips(tmp_path: Path) -> None:
    german = midwatch("plan", write_night(tmp_path, orders=TWO))
    assert "no flip" in german.out and "flip from" in german.out
    assert german.out.count("meridian flip: M 101 at") == 1
    orders = write_night(tmp_path, orders=TWO, rig=FORK)
    assert "flip" not in midwatch("plan", orders).out
    seen = midwatch("plan", orders, "--json").json
    assert [target["flip_from"] for target in seen["targets"]] == [None, None]


def test_what_the_cables_of_a_fork_do_not_reach_is_no_window(tmp_path: Path) -> None:
    night = load_orders(write_night(tmp_path, orders=TWO, rig=FORK))
    assert night.orders.evening is not None
    plan = plan_night(night, night.orders.evening)
    (m101,) = [t for t in plan.targets if t.target.name == "M 101"]
    # It climbs from the north-east all evening: at dusk it is seven hours from the meridian.
    (window,) = m101.windows
    assert window.start_utc_s > plan.dusk_s
    begins = m101.transit_utc_s - 6 * 3600.0 / 1.0027379  # six sidereal hours before it
    assert window.start_utc_s == pytest.approx(begins, abs=2.0)


def test_a_target_out_of_reach_of_a_fork_says_so(tmp_path: Path) -> None:
    polar = ORDERS.replace("name: M 101", "name: Near the pole\n    ra: 37.95\n    dec: 88.0")
    night = load_orders(write_night(tmp_path, orders=polar, rig=FORK))
    assert night.orders.evening is not None
    (target,) = plan_night(night, night.orders.evening).targets
    assert target.windows == ()
    assert "axes of the fork mount do not reach it" in str(target.note)


# What fits ----------------------------------------------------------------------------------


def test_no_more_frames_fit_than_were_ordered(tmp_path: Path) -> None:
    _, _, ahead = planned(tmp_path, ORDERS)
    assert ahead.fitting == {"M 101": (12,)}
    (visit,) = ahead.visits
    assert visit.frames == 12
    # Twelve exposures with nothing but read-outs and dithers between them.
    assert 12 * 240.0 <= visit.end_utc_s - visit.start_utc_s <= 12 * (240.0 + 30.0)


def test_what_fits_fills_the_windows_and_never_leaves_them(tmp_path: Path) -> None:
    _, plan, ahead = planned(tmp_path, TWO)
    windows = {target.target.name: target.windows for target in plan.targets}
    for visit in ahead.visits:
        assert any(
            w.start_utc_s <= visit.start_utc_s and visit.end_utc_s <= w.end_utc_s
            for w in windows[visit.target]
        )
    for earlier, later in zip(ahead.visits, ahead.visits[1:], strict=False):
        assert earlier.end_utc_s < later.start_utc_s
    open_s = 300.0 * sum(ahead.fitting["IC 405"]) + 240.0 * ahead.fitting["M 101"][0]
    # Nine of ten dark seconds: two slews, two focus runs, a flip and the read-outs are little.
    assert 0.85 * plan.dark_s < open_s < plan.dark_s


def test_what_sets_first_comes_first_and_the_flip_follows_the_meridian(tmp_path: Path) -> None:
    _, plan, ahead = planned(tmp_path, TWO)
    assert [visit.target for visit in ahead.visits] == ["IC 405", "M 101"]
    ((target, at_utc_s),) = ahead.flips
    assert target == "M 101"
    transit = next(t.transit_utc_s for t in plan.targets if t.target.name == "M 101")
    assert 3 * 60.0 - 1.0 <= at_utc_s - transit <= 20 * 60.0  # the rig's own flip limits


def test_a_target_that_cannot_be_imaged_gets_nothing(tmp_path: Path) -> None:
    _, _, ahead = planned(tmp_path, ORDERS.replace("M 101", "NGC 3372"))
    assert ahead.fitting == {"NGC 3372": (0,)}
    assert ahead.visits == ()


# What is shown ------------------------------------------------------------------------------


def test_json_is_pure_and_agrees_with_itself(tmp_path: Path) -> None:
    said = midwatch("plan", write_night(tmp_path, orders=TWO), "--json")
    assert said.code == 0
    assert said.err == ""
    plan = said.json
    assert plan["evening"] == "2027-03-10"
    assert plan["timezone"] == "Europe/Vienna"
    dusk, dawn = (datetime.fromisoformat(plan[key]) for key in ("dusk", "dawn"))
    assert (dawn - dusk).total_seconds() == plan["dark_s"]
    order = ["sunset", "civil_dusk", "nautical_dusk", "astronomical_dusk", "astronomical_dawn",
             "nautical_dawn", "civil_dawn", "sunrise"]  # fmt: skip
    moments = [plan[name] for name in order]
    assert moments == sorted(moments)
    for target in plan["targets"]:
        assert sum(f["fitting"] * f["exposure_s"] for f in target["frames"]) == target["fitting_s"]
        assert target["fitting_s"] <= target["usable_s"]


def test_the_listing_says_when_how_high_and_how_much(tmp_path: Path) -> None:
    said = midwatch("plan", write_night(tmp_path))
    assert said.code == 0
    assert "Wednesday, 10 March 2027: Test Field, Bench" in said.out
    assert "12 of 12 x 240 s" in said.out
    assert "times in CET" in said.out
    assert "flip from 03:00" in said.out


def test_an_evening_given_by_hand_wins(tmp_path: Path) -> None:
    said = midwatch("plan", write_night(tmp_path), "--evening", "2027-04-08", "--json")
    assert said.json["evening"] == "2027-04-08"


def test_a_night_without_darkness_is_refused_with_a_way_out(tmp_path: Path) -> None:
    site = "name: North\nlatitude_deg: 69.6\nlongitude_deg: 18.9\ntimezone: Europe/Oslo\n"
    orders = write_night(tmp_path, site=site, orders=ORDERS.replace("2027-03-10", "2027-06-20"))
    said = midwatch("plan", orders)
    assert said.code == 2
    assert "sun_below_deg" in said.err
    assert "another evening" in said.err


@pytest.mark.parametrize("width", [30, 80, 110])
def test_charts_fit_their_width(tmp_path: Path, width: int) -> None:
    night, plan, _ = planned(tmp_path, ORDERS)
    rows = altitude_chart(night, plan, plan.targets[0], width, UNICODE)
    assert all(len(row) <= width for row in rows)
    assert len(hour_line(plan, ZoneInfo("Europe/Vienna"), width)) <= width


def test_a_chart_shows_the_track_over_the_ground(tmp_path: Path) -> None:
    night, plan, _ = planned(tmp_path, ORDERS)
    target = plan.targets[0]
    rows = altitude_chart(night, plan, target, 100, ASCII)
    assert all(row.isascii() for row in rows)
    sky, usable = rows[:-1], rows[-1]
    assert sky[0].startswith("  80")  # M 101 passes 82 degrees high at this latitude
    columns = len(usable)
    for column in range(7, columns):
        marks = [row[column] for row in sky if len(row) > column]
        assert marks.count("o") <= 1
    # The horizon is 10 degrees and the rig keeps 1 from it, but never goes below 15.
    assert "#" in sky[-1]
    assert set("".join(row[7:] for row in sky[:-2])) <= {"o", " "}
    assert set(usable[7:]) == {".", "="}  # high enough for all of the dark hours


def test_hours_are_marked_where_they_are(tmp_path: Path) -> None:
    _, plan, _ = planned(tmp_path, ORDERS)
    zone = ZoneInfo("Europe/Vienna")
    line = hour_line(plan, zone, 100)
    start, end = plan.prepare_from_s, plan.dawn_s + 1800.0
    at = start + (line.index("23") - 7 + 0.5) * (end - start) / 93
    assert abs(at - datetime(2027, 3, 10, 23, 0, tzinfo=zone).timestamp()) < (end - start) / 93


# Words --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (59.4, "59 s"), (59.6, "1 min"), (3599, "1 h 00 min"), (32580, "9 h 03 min")],
)
def test_durations_in_words(seconds: float, text: str) -> None:
    assert hours_text(seconds) == text


def test_tables_align_their_columns() -> None:
    assert table([["a", "bb", "c"], ["long", "b", "d"]]) == ["  a     bb  c", "  long  b   d"]


def test_orders_of_which_nothing_can_be_imaged_are_refused(tmp_path: Path) -> None:
    orders = ORDERS.replace("M 101", "NGC 5139")
    said = midwatch("rehearse", write_night(tmp_path, orders=orders), "--sky", "fast",
                    "--out", tmp_path / "night")  # fmt: skip
    assert said.code == 2
    assert "NGC 5139: it never rises above 15 deg from latitude 46.2" in said.err
    assert "choose another target or site" in said.err


def test_each_target_has_the_distance_and_height_of_the_moon(tmp_path: Path) -> None:
    """Against PyEphem: two days before full the Moon is up nearly all night."""
    orders = write_night(tmp_path, orders=TWO)
    seen = midwatch("plan", orders, "--evening", "2027-03-20", "--json").json
    (m101,) = [target for target in seen["targets"] if target["name"] == "M 101"]
    site = ephem.Observer()
    site.lat, site.lon, site.elevation, site.pressure = "46.2", "13.4", 1200.0, 0.0
    star = ephem.FixedBody()
    star._ra, star._dec = math.radians(m101["ra_deg"]), math.radians(m101["dec_deg"])
    apart, heights = [], []
    for opens, closes in m101["windows"]:
        at, end = (datetime.fromisoformat(text).timestamp() for text in (opens, closes))
        while at <= end:
            site.date = ephem.Date(datetime.fromtimestamp(at, UTC))
            moon = ephem.Moon(site)
            star.compute(site)
            heights.append(math.degrees(moon.alt))
            if moon.alt > 0.0:
                apart.append(math.degrees(ephem.separation((moon.az, moon.alt),
                                                           (star.az, star.alt))))  # fmt: skip
            at += 600.0
    assert max(heights) > 20.0
    assert m101["moon"]["highest_deg"] == pytest.approx(max(heights), abs=0.2)
    assert m101["moon"]["nearest_deg"] == pytest.approx(min(apart), abs=0.2)
    assert m101["moon"]["farthest_deg"] == pytest.approx(max(apart), abs=0.2)
    said = midwatch("plan", orders, "--evening", "2027-03-20").out
    assert f"° away, up to {max(heights):.0f}° high" in said
    dark = midwatch("plan", orders, "--evening", "2027-03-08").out  # the day of new Moon
    assert "Moon   below the horizon while it is usable" in dark


def test_what_is_not_known_yet_is_said_in_plain_words(tmp_path: Path) -> None:
    said = midwatch("plan", write_night(tmp_path, orders=TWO), "--out", tmp_path / "new").out
    assert "not known yet: the first frames of these filters show it" in said
    assert "unknown" not in said
