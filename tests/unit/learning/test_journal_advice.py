"""Advice on exposures from what a journal's frames have measured."""

from __future__ import annotations

import math

import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.learning import Lessons, learn_sky
from midwatch.learning.exposure_advice import advise, measure_sensor
from midwatch.reports.lessons_sections import exposures_section

SETTING = (100, 50, 1)
PER_ADU, PEDESTAL_ADU, NOISE_ADU = 0.25, 600.0, 6.0


def bias(number: int, pair: float | None = NOISE_ADU, gain: int = 100) -> e.SensorMeasured:
    return e.SensorMeasured(exposure_id=f"b{number}", frame="bias", exposure_s=0.0, gain=gain,
                            offset=50, binning=1, level_adu=PEDESTAL_ADU + 0.1 * number,
                            pair_noise_adu=pair, electrons_per_adu=PER_ADU)  # fmt: skip


def dark(level_adu: float, exposure_s: float) -> e.SensorMeasured:
    return e.SensorMeasured(exposure_id="d", frame="dark", exposure_s=exposure_s, gain=100,
                            offset=50, binning=1, level_adu=level_adu,
                            electrons_per_adu=PER_ADU)  # fmt: skip


def lights(count: int, background_adu: float, grade: e.Grade = "accepted") -> list[e.Fact]:
    seen: list[e.Fact] = [
        e.TargetPlanned(target="M 3", ra_deg=205.5, dec_deg=28.4, priority=1,
                        wanted=(("L", 300.0, 40),), windows_utc_s=(), transit_utc_s=None)
    ]  # fmt: skip
    for number in range(count):
        name = f"{grade}{number}"
        seen += [
            e.FrameBegun(exposure_id=name, frame="light", target="M 3", order_index=0, filter="L",
                         exposure_s=300.0, gain=100, offset=50, binning=1),
            e.FrameGraded(exposure_id=name, grade=grade, stars=500, saturated_stars=10,
                          background_adu=background_adu, electrons_per_adu=PER_ADU),
        ]  # fmt: skip
    return seen


def events_of(*nights: list[e.Fact]) -> list[Event]:
    return [
        Event(seq, 1000.0 * number + seq, f"n{number}", fact, "")
        for number, facts in enumerate(nights)
        for seq, fact in enumerate(facts)
    ]


def test_advice_by_hand() -> None:
    """Sky (1800-600) x 0.25 / 300 = 1 e-/s, read noise 6 x 0.25 = 1.5 e-; CCD equation by hand."""
    events = events_of([*lights(16, 1800.0), bias(0, None), bias(0), bias(0)])
    (advice,) = advise(NightRecord.from_events(events), events)
    assert advice.missing == ""
    assert advice.sky_e_s == pytest.approx(1.0)
    assert advice.read_noise_e == pytest.approx(1.5)
    assert advice.shortest_sub_s == pytest.approx(1.5**2 / (1.0 * (1.05**2 - 1.0)))
    assert advice.noise_rise_percent == pytest.approx(100 * (math.sqrt(1 + 2.25 / 300) - 1))
    assert advice.saturated_stars_percent == pytest.approx(2.0)
    signal = 300.0 * 10**-1.2
    one = signal / math.sqrt(signal + 300.0 + 2.25)
    assert advice.snr_taken == pytest.approx(4.0 * one)
    assert advice.snr_wanted == pytest.approx(math.sqrt(40.0) * one)


def test_dark_current_is_not_taken_for_sky() -> None:
    events = events_of([*lights(3, 1800.0), bias(0), dark(PEDESTAL_ADU + 120.0, 300.0)])
    (advice,) = advise(NightRecord.from_events(events), events)
    assert advice.sky_e_s == pytest.approx(0.9)


def test_what_is_not_known_is_said_and_nothing_made_up() -> None:
    events = events_of(lights(3, 1800.0))
    (advice,) = advise(NightRecord.from_events(events), events)
    assert "no bias frames" in advice.missing
    assert advice.sky_e_s is advice.shortest_sub_s is advice.snr_taken is None
    (advice,) = advise(NightRecord.from_events(events), events, pedestal_adu=600.0)
    assert "read noise is not known" in advice.missing
    (advice,) = advise(NightRecord.from_events(events), events, 1.5, 600.0)
    assert advice.missing == ""
    assert advice.sky_e_s == pytest.approx(1.0)
    rejected = events_of([*lights(2, 1800.0, "rejected"), bias(0), bias(1)])
    (advice,) = advise(NightRecord.from_events(rejected), rejected)
    assert advice.missing == "no frame was accepted"
    assert advice.shortest_sub_s is None
    section = exposures_section(Lessons(exposures=(advice,)))
    assert section is not None
    assert "no frame was accepted" in str(section.exposures)


def test_bias_frames_of_another_setting_and_older_nights_do_not_count() -> None:
    events = events_of([bias(0, 9.0), bias(1, 9.0)], [bias(0, 6.0), bias(1, 6.0, gain=0)])
    sensor = measure_sensor(events, SETTING, read_noise_e=3.0)
    assert sensor.read_noise_e == pytest.approx(1.5)
    assert sensor.measured
    other = measure_sensor(events, (7, 50, 1), read_noise_e=3.0)
    assert (other.read_noise_e, other.pedestal_adu, other.measured) == (3.0, None, False)


def test_the_plan_learns_from_earlier_nights() -> None:
    events = events_of([*lights(6, 1800.0), bias(0), bias(1)])
    sky = learn_sky(events, "L", SETTING)
    assert sky is not None
    assert sky.sky_e_s == pytest.approx(1.0, rel=1e-3)
    assert sky.frames == 6
    assert learn_sky(events, "R", SETTING) is None
    assert learn_sky(events, "L", (0, 50, 1)) is None
    assert learn_sky([], "L", SETTING) is None
