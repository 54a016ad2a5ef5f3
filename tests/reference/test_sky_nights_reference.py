"""Twilight, Moon events and usable windows against libraries and recorded values."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from midwatch.sky import Fixed, Horizon, Observer, Place, night_events, visible_windows
from midwatch.sky.sun_moon import moon_illumination
from midwatch.sky.twilight import dark_window
from support.sky_truth import observer_of, posix, recorded, skyfield_sky

# Recorded with skyfield 1.55 and JPL DE421; PyEphem 4.2.1 within 0.1 s (Sun), 0.6 s (Moon).
NIGHTS = recorded("sky_nights.json")
POSITIONS = recorded("sky_positions.json")


def ids(rows: list[dict]) -> list[str]:
    return [f"{row['site']['name']} {row['evening']}" for row in rows]


@pytest.mark.parametrize("row", NIGHTS["nights"], ids=ids(NIGHTS["nights"]))
def test_sun_events_agree_with_skyfield(row):
    night = night_events(
        observer_of(row["site"]), date.fromisoformat(row["evening"]), row["site"]["timezone"]
    )
    for name, expected in row["events"].items():
        found = getattr(night, f"{name}_utc_s")
        if expected is None:
            assert found is None, name
        else:
            assert found == pytest.approx(posix(expected), abs=1.5), name
    assert night.lowest_sun_alt_deg == pytest.approx(row["lowest_sun_alt_deg"], abs=0.002)
    assert night.highest_sun_alt_deg == pytest.approx(row["highest_sun_alt_deg"], abs=0.002)


@pytest.mark.parametrize("row", NIGHTS["windows"], ids=ids(NIGHTS["windows"]))
def test_usable_windows_agree_with_skyfield(row):
    observer = observer_of(row["site"])
    dark = dark_window(
        observer,
        date.fromisoformat(row["evening"]),
        row["site"]["timezone"],
        row["sun_below_deg"],
    )
    assert dark is not None
    horizon = Horizon.from_pairs((az, alt) for az, alt in row["horizon"])
    found = visible_windows(observer, Fixed(row["ra_deg"], row["dec_deg"]), *dark, horizon, 0.0)
    assert len(found) == len(row["windows"])
    for window, (start, end) in zip(found, row["windows"], strict=True):
        assert window.start_utc_s == pytest.approx(posix(start), abs=2.0)
        assert window.end_utc_s == pytest.approx(posix(end), abs=2.0)


def test_hours_above_a_flat_altitude_agree_with_skyfield():
    # M31 over 30 degrees at Oxfordshire, skyfield 1.55 with DE421: 17:59:06 to 01:31:51.
    observer = Observer(Place(51.75, -1.25, 100.0))
    dark = dark_window(observer, date(2026, 12, 12), "Europe/London", -18.0)
    assert dark is not None
    (window,) = visible_windows(observer, Fixed(10.68459, 41.26917), *dark, Horizon.flat(0.0), 30.0)
    assert window.start_utc_s == pytest.approx(posix("2026-12-12T17:59:06Z"), abs=2.0)
    assert window.end_utc_s == pytest.approx(posix("2026-12-13T01:31:51Z"), abs=2.0)


@pytest.mark.parametrize("row", POSITIONS["moon_rise_set"], ids=ids(POSITIONS["moon_rise_set"]))
def test_moonrise_and_moonset_agree_with_skyfield(row):
    night = night_events(
        observer_of(row["site"]), date.fromisoformat(row["evening"]), row["site"]["timezone"]
    )
    assert night.moonrise_utc_s == pytest.approx([posix(row["moonrise"])], abs=15.0)
    assert night.moonset_utc_s == pytest.approx([posix(row["moonset"])], abs=15.0)


@pytest.mark.parametrize(
    ("utc", "lit"),
    [
        # Phases of skyfield 1.55 with DE421, good to a minute.
        ("2026-12-09T00:51:00Z", 0.0),
        ("2026-12-17T05:42:00Z", 0.5),
        ("2026-12-24T01:28:00Z", 1.0),
        ("2026-12-30T18:59:00Z", 0.5),
    ],
)
def test_lit_fraction_at_the_phases(utc, lit):
    # At the quarters the angle at the Moon differs from 90 degrees by the Sun's parallax.
    assert moon_illumination(posix(utc)) == pytest.approx(lit, abs=0.003)


def test_sun_events_agree_with_skyfield_on_random_nights():
    # Search by skyfield's own root finder, at random sites, zone UTC shifted by solar noon.
    from skyfield import almanac

    sky, random = skyfield_sky(), np.random.default_rng(11)
    compared = 0
    for _ in range(6):
        place = Place(random.uniform(-70, 70), random.uniform(-30, 30), random.uniform(0, 3000))
        evening = date(2021, 1, 1) + timedelta(days=int(random.integers(0, 1500)))
        night = night_events(Observer(place), evening, "UTC")
        start = datetime.fromtimestamp(night.noon_utc_s, UTC)
        end = datetime.fromtimestamp(night.next_noon_utc_s, UTC)
        times, _ = almanac.find_discrete(
            sky.timescale.from_datetime(start),
            sky.timescale.from_datetime(end),
            almanac.dark_twilight_day(
                {"earth": sky.earth, "sun": sky.sun}, sky.standing(place) - sky.earth
            ),
        )
        theirs = sorted(t.utc_datetime().timestamp() for t in times)
        ours = [
            night.sunset_utc_s, night.civil_dusk_utc_s, night.nautical_dusk_utc_s,
            night.astronomical_dusk_utc_s, night.astronomical_dawn_utc_s,
            night.nautical_dawn_utc_s, night.civil_dawn_utc_s, night.sunrise_utc_s,
        ]  # fmt: skip
        found = [t for t in ours if t is not None]
        assert found == sorted(found)
        assert found == pytest.approx(theirs, abs=4.0)
        compared += len(found)
    assert compared >= 24
