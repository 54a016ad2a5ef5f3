from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.sky import Observer, Place, evening_at, night_at, night_events, sun_altaz
from midwatch.sky.twilight import dark_window, evening_date
from support.sky_truth import posix

TROMSO_LIKE = Observer(Place(69.65, 18.96))  # north of the polar circle
OXFORDSHIRE = Observer(Place(51.75, -1.25, 100.0))
DAYS = st.dates(date(2020, 1, 1), date(2034, 12, 31))


def sun_alt(observer: Observer, utc_s: float) -> float:
    return float(sun_altaz(observer, utc_s).alt_deg)


def test_polar_night_has_no_sunrise_and_is_dark_at_its_low_twilights():
    night = night_events(TROMSO_LIKE, date(2026, 12, 21), "Europe/Oslo")
    assert night.sunset_utc_s is None
    assert night.sunrise_utc_s is None
    assert night.highest_sun_alt_deg < -0.8333
    assert night.civil_dusk_utc_s is not None  # the Sun comes up to -3 degrees at noon
    assert night.dark_window(-0.8333) == (night.noon_utc_s, night.next_noon_utc_s)


def test_near_the_pole_in_midwinter_it_is_dark_from_noon_to_noon():
    observer = Observer(Place(88.0, 0.0))
    night = night_events(observer, date(2026, 12, 21), "UTC")
    assert night.astronomical_dusk_utc_s is None
    assert night.astronomical_dawn_utc_s is None
    assert night.dark_window(-18.0) == (night.noon_utc_s, night.next_noon_utc_s)
    assert night.next_noon_utc_s - night.noon_utc_s == 86400.0


def test_midnight_sun_has_no_night():
    night = night_events(TROMSO_LIKE, date(2027, 6, 21), "Europe/Oslo")
    assert night.sunset_utc_s is None
    assert night.sunrise_utc_s is None
    assert night.lowest_sun_alt_deg == pytest.approx(23.44 - (90.0 - 69.65), abs=0.02)
    assert night.dark_window(-0.8333) is None
    assert night.dark_window(-18.0) is None
    noon_sun = night.dark_window(89.0)
    assert noon_sun == (night.noon_utc_s, night.next_noon_utc_s)


def test_a_night_that_only_just_gets_dark_is_found():
    # At this latitude the Sun sinks a few hundredths of a degree under -18: minutes, not hours,
    # which lie between two samples of the search.
    observer = Observer(Place(48.53, 0.0))
    night = night_events(observer, date(2027, 6, 21), "UTC")
    just_above = night.lowest_sun_alt_deg + 0.003
    window = night.dark_window(just_above)
    assert window is not None
    assert 0.0 < window[1] - window[0] < 600.0
    for edge in window:
        assert sun_alt(observer, edge) == pytest.approx(just_above, abs=1e-4)
    assert night.dark_window(night.lowest_sun_alt_deg) is None


@settings(max_examples=15)
@given(
    st.floats(-89.0, 89.0), st.floats(-180.0, 180.0), DAYS, st.sampled_from([-0.8333, -12.0, -18.0])
)
def test_inside_a_dark_window_it_is_dark_and_outside_it_is_not(latitude, longitude, day, below):
    observer = Observer(Place(latitude, longitude))
    night = night_events(observer, day, "UTC")
    window = night.dark_window(below)
    if window is None:
        assert night.lowest_sun_alt_deg >= below
        return
    start, end = window
    assert night.noon_utc_s <= start < end <= night.next_noon_utc_s
    for part in (0.01, 0.3, 0.7, 0.99):
        assert sun_alt(observer, start + part * (end - start)) < below
    if start > night.noon_utc_s:
        assert sun_alt(observer, start - 5.0) > below
        assert sun_alt(observer, start) == pytest.approx(below, abs=1e-3)
    if end < night.next_noon_utc_s:
        assert sun_alt(observer, end + 5.0) > below


@settings(max_examples=10)
@given(st.floats(-89.0, 89.0), st.floats(-180.0, 180.0), DAYS)
def test_events_come_in_their_order(latitude, longitude, day):
    night = night_events(Observer(Place(latitude, longitude)), day, "UTC")
    events = [
        night.noon_utc_s,
        night.sunset_utc_s,
        night.civil_dusk_utc_s,
        night.nautical_dusk_utc_s,
        night.astronomical_dusk_utc_s,
        night.lowest_sun_utc_s,
        night.astronomical_dawn_utc_s,
        night.nautical_dawn_utc_s,
        night.civil_dawn_utc_s,
        night.sunrise_utc_s,
        night.next_noon_utc_s,
    ]
    present = [event for event in events if event is not None]
    assert present == sorted(present)
    assert night.lowest_sun_alt_deg <= night.highest_sun_alt_deg


@pytest.mark.parametrize(
    ("evening", "zone", "hours"),
    [
        (date(2026, 10, 24), "Europe/London", 25.0),
        (date(2027, 3, 27), "Europe/London", 23.0),
        (date(2026, 10, 3), "Australia/Sydney", 23.0),
        (date(2026, 12, 12), "Europe/London", 24.0),
    ],
)
def test_nights_run_from_civil_noon_to_civil_noon(evening, zone, hours):
    observer = OXFORDSHIRE if "London" in zone else Observer(Place(-31.27, 149.07))
    night = night_events(observer, evening, zone)
    assert night.next_noon_utc_s - night.noon_utc_s == hours * 3600.0
    for noon, day in ((night.noon_utc_s, evening), (night.next_noon_utc_s, None)):
        local = datetime.fromtimestamp(noon, ZoneInfo(zone))
        assert (local.hour, local.minute) == (12, 0)
        assert local.date() == (day or evening + timedelta(days=1))


@pytest.mark.parametrize(
    ("longitude", "zone"),
    [
        (149.07, "Australia/Sydney"),
        (149.07, "UTC"),  # civil noon there is in the night
        (-157.4, "Pacific/Kiritimati"),  # fourteen hours ahead of Greenwich, far in the west
        (179.9, "Pacific/Auckland"),
        (-179.9, "UTC"),
        (-171.8, "Pacific/Apia"),
        (75.9, "Asia/Shanghai"),  # three hours behind its zone
    ],
)
def test_the_night_is_the_one_between_two_days_wherever_the_date_line_runs(longitude, zone):
    observer = Observer(Place(-10.0, longitude))
    night = night_events(observer, date(2027, 4, 10), zone)
    assert night.sunset_utc_s is not None
    assert night.sunrise_utc_s is not None
    assert night.noon_utc_s < night.sunset_utc_s < night.sunrise_utc_s < night.next_noon_utc_s
    assert 11.0 < (night.sunrise_utc_s - night.sunset_utc_s) / 3600.0 < 13.0
    assert sun_alt(observer, night.noon_utc_s) > 30.0
    local_date = datetime.fromtimestamp(night.sunset_utc_s, ZoneInfo(zone)).date()
    if zone != "UTC":
        assert local_date == date(2027, 4, 10)


@settings(max_examples=10)
@given(
    st.floats(posix("2024-01-01T00:00:00Z"), posix("2030-01-01T00:00:00Z")),
    st.sampled_from(
        [
            (-1.25, "Europe/London"),
            (149.07, "Australia/Sydney"),
            (149.07, "UTC"),
            (-157.4, "Pacific/Kiritimati"),
            (-110.97, "America/Phoenix"),
        ]
    ),
)
def test_every_moment_belongs_to_the_night_that_holds_it(utc_s, site):
    longitude, zone = site
    night = night_at(Observer(Place(20.0, longitude)), utc_s, zone)
    assert night.noon_utc_s <= utc_s < night.next_noon_utc_s


def test_from_noon_on_it_is_the_coming_night():
    noon = night_events(OXFORDSHIRE, date(2026, 7, 1), "Europe/London").noon_utc_s
    assert evening_at(OXFORDSHIRE, noon, "Europe/London") == date(2026, 7, 1)
    assert evening_at(OXFORDSHIRE, noon - 1.0, "Europe/London") == date(2026, 6, 30)
    # By the Sun alone the day is not yet half over at noon of summer time.
    assert evening_date(-1.25, noon) == date(2026, 6, 30)


@pytest.mark.parametrize(
    ("longitude", "utc", "evening"),
    [
        (-1.25, "2026-12-12T22:00:00Z", date(2026, 12, 12)),
        (-1.25, "2026-12-13T05:00:00Z", date(2026, 12, 12)),
        (149.07, "2027-06-21T12:00:00Z", date(2027, 6, 21)),
        (149.07, "2027-06-21T19:00:00Z", date(2027, 6, 21)),
        (-110.97, "2027-02-06T06:00:00Z", date(2027, 2, 5)),
        (249.03, "2027-02-06T06:00:00Z", date(2027, 2, 5)),  # the same place, counted eastwards
        (179.9, "2027-01-01T12:00:00Z", date(2027, 1, 1)),
        (-179.9, "2027-01-01T12:00:00Z", date(2026, 12, 31)),
    ],
)
def test_evening_by_the_sun_alone(longitude, utc, evening):
    assert evening_date(longitude, posix(utc)) == evening


def test_function_and_method_give_the_same_window():
    night = night_events(OXFORDSHIRE, date(2026, 12, 12), "Europe/London")
    window = dark_window(OXFORDSHIRE, date(2026, 12, 12), "Europe/London", -18.0)
    assert window == night.dark_window(-18.0)
    assert window == (night.astronomical_dusk_utc_s, night.astronomical_dawn_utc_s)


def test_a_night_without_moonrise_has_none_and_says_so():
    # Moonrise comes some fifty minutes later each day, so about once a month it skips a night;
    # in these ten it passes noon.
    nights = [
        night_events(OXFORDSHIRE, date(2026, 12, 12) + timedelta(days=d), "Europe/London")
        for d in range(10)
    ]
    assert [len(night.moonrise_utc_s) for night in nights].count(0) == 1
    assert [len(night.moonset_utc_s) for night in nights] == [1] * 10
    for night in nights:
        for event in (*night.moonrise_utc_s, *night.moonset_utc_s):
            assert night.noon_utc_s <= event <= night.next_noon_utc_s
        assert 0.0 <= night.moon_illumination <= 1.0


def test_unknown_zone_is_an_error():
    with pytest.raises(ZoneInfoNotFoundError):
        night_events(OXFORDSHIRE, date(2026, 12, 12), "Europe/Atlantis")


def test_noon_times_are_whole_civil_noons_in_utc():
    night = night_events(OXFORDSHIRE, date(2026, 12, 12), "Europe/London")
    assert datetime.fromtimestamp(night.noon_utc_s, UTC).isoformat() == "2026-12-12T12:00:00+00:00"
