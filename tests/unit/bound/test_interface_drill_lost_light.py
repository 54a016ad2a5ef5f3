"""When faults leave no light, by the site's limits and by what each fault says of itself."""

from __future__ import annotations

import pytest

from midwatch.bound.lost_light import Rules, clouded, dark_spans, over_limits, waited
from midwatch.journal.facts import LookoutChanged, NightBegan, Sample, WeatherTurned
from midwatch.journal.store import Event
from midwatch.orders.injected import ScheduledFault
from midwatch.orders.models import SafetyLimits

SAFETY = SafetyLimits(max_gust_ms=14, max_humidity_percent=92, rain=True, stale_s=180, calm_s=900)
LEASE_S, WORK_FROM_S = 60.0, 5000.0
ROLES = ("mount", "camera", "focuser", "weather", "roof")


def fault(name: str, begins: float = 10_000.0, lasts: float = 1800.0) -> ScheduledFault:
    return ScheduledFault(begins, begins + lasts, name)


def one(*faults: ScheduledFault, safety: SafetyLimits = SAFETY):
    (span,) = spans(*faults, safety=safety)
    return span


def spans(*faults: ScheduledFault, safety: SafetyLimits = SAFETY, roles=ROLES):
    """Return what is dark after the roof may first be opened."""
    found = dark_spans(faults, Rules(safety, roles, LEASE_S, WORK_FROM_S))
    return [span for span in found if span.until_utc_s > WORK_FROM_S]


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
    assert spans(fault(name), safety=unwatched) == []
    assert spans(fault(name), roles=("mount", "camera", "focuser")) == []
    assert one(fault(name)).how == "all"


def test_a_silent_sensor_closes_once_its_readings_are_stale():
    span = one(fault("weather-silent"))
    assert span.from_utc_s >= 10_000.0 + SAFETY.stale_s
    assert span.until_utc_s == pytest.approx(11_800.0 + 900.0, abs=15.0)
    assert spans(fault("weather-silent", lasts=200.0)) == []


@pytest.mark.parametrize("name", ["suspend", "bus-partition"])
def test_a_daemon_cut_off_for_longer_than_the_calm_time_has_no_readings_of_it(name):
    found = spans(fault(name))
    assert max(span.until_utc_s for span in found) == pytest.approx(12_700.0, abs=15.0)
    assert {span.how for span in found if span.until_utc_s > 12_000.0} == {"begin"}
    assert max(span.until_utc_s for span in spans(fault(name, lasts=800.0))) <= 10_800.0


def test_after_a_gap_in_the_readings_shorter_than_the_calm_time_a_few_are_enough():
    span = one(fault("weather-silent", lasts=800.0))
    assert span.until_utc_s <= 10_800.0


def test_nobody_knows_of_rain_under_a_sensor_that_repeats_itself():
    assert spans(fault("rain"), fault("weather-stuck", 9_000.0, 3600.0)) == []
    # Over before the rain: it changes nothing.
    assert one(fault("rain"), fault("weather-stuck", 5_000.0, 3600.0)).how == "all"


def test_who_is_cut_off_when_rain_begins_may_finish_the_exposure_in_hand():
    found = spans(fault("rain"), fault("bus-partition", 9_990.0, 60.0))
    assert {span.how for span in found if span.parked} == {"begin"}


def test_a_roof_that_does_not_open_keeps_a_closed_sky_closed():
    shut = fault("roof-stays-shut", 12_000.0, 1800.0)
    assert one(fault("rain"), shut).until_utc_s == pytest.approx(13_800.0, abs=15.0)
    # Nothing was closed when it began and ended: no light is lost.
    assert spans(shut) == []


@pytest.mark.parametrize("name", ["roof-stays-shut", "roof-stops-halfway"])
def test_a_roof_that_does_not_open_in_the_evening_lets_no_light_in(name):
    span = one(fault(name, 4_000.0, 1800.0))
    assert (span.how, span.until_utc_s) == ("all", pytest.approx(5_800.0, abs=15.0))
    # It stood open before.
    assert spans(fault(name, 5_100.0, 1800.0)) == []


@pytest.mark.parametrize("name", ["daemon-killed", "bus-partition", "suspend"])
def test_devices_that_hear_of_nobody_for_longer_than_the_lease_make_themselves_safe(name):
    begins, safe = spans(fault(name, lasts=800.0))[:2]
    assert begins.how == "begin"
    assert (safe.how, safe.parked) == ("all", True)
    assert safe.from_utc_s >= 10_000.0 + LEASE_S
    assert {span.how for span in spans(fault(name, lasts=60.0))} == {"begin"}


@pytest.mark.parametrize("name", ["frame-truncated", "frame-corrupt", "frame-wrong-size"])
def test_frames_are_lost_that_are_read_out_while_reading_out_fails(name):
    assert one(fault(name)).how == "end"


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("camera-unplugged", "all"),
        ("power-cut", "all"),
        ("mount-stalls", "half"),
        ("mount-power-lost", "half"),
        ("shutter-stuck", "half"),
        ("exposure-never-ends", "begin"),
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
    assert spans(fault(name)) == []


def turned(at: float, over: bool) -> Event:
    return Event(int(at), at, "n", WeatherTurned(over=over, reason="humidity"), "")


def test_weather_beyond_the_limits_by_nature_closes_the_roof_until_it_has_been_calm():
    (span,) = over_limits([turned(10_000.0, True), turned(10_300.0, False)], [], 900.0)
    assert (span.how, span.parked) == ("all", True)
    assert 10_000.0 <= span.from_utc_s <= 10_060.0
    assert 11_140.0 <= span.until_utc_s <= 11_200.0
    # The night ends before it is good again.
    (span,) = over_limits([turned(10_000.0, True)], [], 900.0)
    assert span.until_utc_s <= 10_900.0
    shut = fault("roof-stays-shut", 11_000.0, 900.0)
    (span,) = over_limits([turned(10_000.0, True), turned(10_300.0, False)], [shut], 900.0)
    assert span.until_utc_s == pytest.approx(11_900.0, abs=15.0)


def test_readings_nobody_may_have_followed_or_of_a_clock_that_is_off_take_nothing():
    events = [turned(10_000.0, True), turned(10_300.0, False)]
    assert over_limits(events, [fault("daemon-killed", 9_950.0, 60.0)], 900.0) == []
    off = fault("clock-step-hours", 2_700.0, 600.0)  # two hours ahead: 9900 to 10500 s
    assert over_limits(events, [off], 900.0) == []
    later = fault("clock-step-hours", 3_000.0, 600.0)
    (span,) = over_limits(events, [later], 900.0)
    assert span.until_utc_s <= 10_900.0


def test_a_daemon_that_died_may_have_missed_the_end_of_bad_weather():
    again = Event(2, 20_000.0, "n", NightBegan.model_construct(night="n"), "")
    (span,) = over_limits([turned(10_000.0, True), again], [], 900.0)
    assert span.until_utc_s <= 10_900.0


def test_clouds_are_dark_between_readings_that_all_show_a_closed_sky():
    percents = [5, 85, 90, 82, 40, 85, 10, 90, 95]
    events = [
        Event(seq, 1000.0 + 300.0 * seq, "n", sample(percent), "")
        for seq, percent in enumerate(percents)
    ]
    found = [(span.from_utc_s, span.until_utc_s, span.how) for span in clouded(events, [])]
    # Until two minutes before they are seen to have gone; a single one at 2500 s for three minutes.
    assert found == [
        (1300.0, 2080.0, "half"), (2500.0, 2680.0, "half"), (3100.0, 3400.0, "half"),
    ]  # fmt: skip
    # Where the sensor tells nothing new in between, no longer than it told of them.
    silent = fault("weather-silent", 2050.0, 60.0)
    (first, *_) = clouded(events, [silent])
    assert (first.from_utc_s, first.until_utc_s) == (1300.0, 1900.0)
    # A sensor that repeats itself tells nothing of the sky.
    assert clouded(events, [fault("weather-stuck", 1000.0, 3000.0)]) == []
    # Moments that may come from a clock two hours ahead say nothing.
    off = fault("clock-step-hours", 1500.0 - 7200.0, 1500.0)
    assert clouded(events, [off]) == []


def looked(at: float, status: str, lookout: str = "clouds") -> Event:
    fact = LookoutChanged(lookout=lookout, status=status, level=70.0, message="")
    return Event(int(at), at, "n", fact, "")


def test_nothing_is_begun_while_the_orders_ask_for_waiting():
    seen = [looked(1000.0, "tripped"), looked(1500.0, "tripped", "gusts"), looked(2000.0, "clear")]
    (span,) = waited(seen, [], ["clouds"])
    assert (span.from_utc_s, span.until_utc_s, span.how) == (1001.0, 1999.0, "begin")
    # What is not known to be over at its time takes nothing.
    assert waited(seen[:2], [], ["clouds"]) == []
    again = Event(2, 1700.0, "n", NightBegan.model_construct(night="n"), "")
    assert waited([*seen[:2], again, seen[2]], [], ["clouds"]) == []
    off = fault("clock-step-hours", 1800.0 - 7200.0, 600.0)
    assert waited(seen, [off], ["clouds"]) == []


def sample(cloud_percent: float) -> Sample:
    return Sample(
        air_c=5.0, sensor_c=-10.0, cloud_percent=cloud_percent, wind_ms=1.0,
        guide_rms_ra_arcsec=None, guide_rms_dec_arcsec=None, focus_position=None,
        altitude_deg=None,
    )  # fmt: skip
