"""When faults leave no light, by the site's limits and by what each fault says of itself."""

from __future__ import annotations

import pytest

from midwatch.interface.drilling.lost_light import clouded, dark_spans
from midwatch.journal.events import Sample
from midwatch.journal.store import Event
from midwatch.orders.faults import ScheduledFault
from midwatch.orders.models import SafetyLimits

SAFETY = SafetyLimits(max_gust_ms=14, max_humidity_percent=92, rain=True, stale_s=180, calm_s=900)
ROLES = ("mount", "camera", "focuser", "weather", "roof")


def fault(name: str, begins: float = 10_000.0, lasts: float = 1800.0) -> ScheduledFault:
    return ScheduledFault(begins, begins + lasts, name)


def one(*faults: ScheduledFault, safety: SafetyLimits = SAFETY):
    (span,) = dark_spans(faults, safety, ROLES)
    return span


def test_rain_closes_the_roof_until_it_has_been_calm():
    span = one(fault("rain"))
    # Not before a reading can show it; until the calm time after its end is nearly over.
    assert 10_000.0 <= span.from_utc_s <= 10_180.0
    assert 11_800.0 + 880.0 <= span.until_utc_s <= 11_800.0 + 900.0
    assert (span.how, span.parked) == ("all", True)


@pytest.mark.parametrize("name", ["rain", "gust", "dew"])
def test_what_the_site_does_not_watch_closes_nothing(name):
    unwatched = SafetyLimits(rain=False, max_wind_ms=None, max_gust_ms=None,
                             max_humidity_percent=None)  # fmt: skip
    assert dark_spans([fault(name)], unwatched, ROLES) == []
    assert dark_spans([fault(name)], SAFETY, ("mount", "camera", "focuser")) == []
    assert one(fault(name)).how == "all"


def test_a_silent_sensor_closes_once_its_readings_are_stale():
    span = one(fault("weather-silent"))
    assert span.from_utc_s >= 10_000.0 + SAFETY.stale_s
    assert dark_spans([fault("weather-silent", lasts=200.0)], SAFETY, ROLES) == []


def test_nobody_knows_of_rain_under_a_sensor_that_repeats_itself():
    assert dark_spans([fault("rain"), fault("weather-stuck", 9_000.0, 3600.0)], SAFETY, ROLES) == []
    # Over before the rain: it changes nothing.
    assert one(fault("rain"), fault("weather-stuck", 5_000.0, 3600.0)).how == "all"


def test_who_is_cut_off_when_rain_begins_may_finish_the_exposure_in_hand():
    spans = dark_spans([fault("rain"), fault("bus-partition", 9_990.0, 60.0)], SAFETY, ROLES)
    assert {span.how for span in spans if span.parked} == {"begin"}


def test_a_roof_that_does_not_open_keeps_a_closed_sky_closed():
    shut = fault("roof-stays-shut", 12_000.0, 1800.0)
    assert one(fault("rain"), shut).until_utc_s == pytest.approx(13_800.0, abs=15.0)
    # Nothing was closed when it began and ended: no light is lost.
    assert dark_spans([shut], SAFETY, ROLES) == []


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("camera-unplugged", "all"),
        ("power-cut", "all"),
        ("mount-stalls", "half"),
        ("mount-power-lost", "half"),
        ("shutter-stuck", "half"),
        ("exposure-never-ends", "begin"),
        ("daemon-killed", "begin"),
    ],
)
def test_faults_of_devices_take_no_more_than_their_time(name, how):
    span = one(fault(name))
    assert span.how == how
    assert 10_000.0 <= span.from_utc_s < span.until_utc_s <= 11_800.0 + 40.0


@pytest.mark.parametrize(
    "name", ["guide-camera-unplugged", "guide-star-lost", "focuser-stuck", "filter-wheel-jams",
             "disk-full", "slew-refused", "bad-orders", "mount-driver-crash-loop"],
)  # fmt: skip
def test_faults_that_leave_exposures_possible_take_nothing(name):
    assert dark_spans([fault(name)], SAFETY, ROLES) == []


def test_clouds_are_dark_between_readings_that_all_show_a_closed_sky():
    percents = [5, 85, 90, 82, 40, 85, 10, 90, 95]
    events = [
        Event(seq, 1000.0 + 300.0 * seq, "n", sample(percent), "")
        for seq, percent in enumerate(percents)
    ]
    found = [(span.from_utc_s, span.until_utc_s, span.how) for span in clouded(events)]
    # A single reading says nothing of any length of time.
    assert found == [(1300.0, 1900.0, "half"), (3100.0, 3400.0, "half")]


def sample(cloud_percent: float) -> Sample:
    return Sample(
        air_c=5.0, sensor_c=-10.0, cloud_percent=cloud_percent, wind_ms=1.0,
        guide_rms_ra_arcsec=None, guide_rms_dec_arcsec=None, focus_position=None,
        altitude_deg=None,
    )  # fmt: skip
