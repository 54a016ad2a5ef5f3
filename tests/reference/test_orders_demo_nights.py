"""The shipped nights are what their comments say, by skyfield with JPL DE421."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from midwatch.orders.reading import Night, load_night
from support.sky_truth import skyfield_sky

CONFIGS = Path(__file__).parents[2] / "configs"


class Seen:
    """A night in steps of three minutes from local noon, seen by skyfield."""

    def __init__(self, night: Night) -> None:
        assert night.orders.evening
        self.night, self.sky = night, skyfield_sky()
        zone = ZoneInfo(night.site.timezone)
        noon = datetime.combine(night.orders.evening, datetime.min.time(), zone)
        self.noon_s = (noon + timedelta(hours=12)).timestamp()
        self.utc_s = self.noon_s + np.arange(0, 24 * 3600, 180.0)
        sun, _ = self.sky.altaz(night.place, self.sky.sun, self.utc_s)
        self.tracks = [
            self.sky.altaz(night.place, self.sky.star(*t.position_at(self.noon_s)), self.utc_s)
            for t in night.targets
        ]
        self.dark = sun < -night.orders.sun_below_deg

    def hours(self, mask: np.ndarray) -> tuple[float, float]:
        """Hours after local noon of the first and last instant of a mask."""
        found = (self.utc_s[mask] - self.noon_s) / 3600
        return float(found[0]), float(found[-1])

    def altaz(self, index: int) -> tuple[np.ndarray, np.ndarray]:
        return self.tracks[index]

    def free(self, index: int) -> np.ndarray:
        """When it is dark and the target stands clear of the horizon, its margin, the limits."""
        altitude, azimuth = self.altaz(index)
        order, limits = self.night.targets[index].order, self.night.rig.limits
        lowest = max(limits.min_altitude_deg, order.min_altitude_deg or 0.0)
        edge = self.night.horizon.altitude_deg(azimuth) + limits.horizon_margin_deg
        return self.dark & (altitude > lowest) & (altitude > edge)

    def transit_h(self, index: int) -> float:
        altitude, _ = self.altaz(index)
        return float(self.utc_s[int(np.argmax(altitude))] - self.noon_s) / 3600

    def moon_age_days(self) -> float:
        """Days since new Moon at local midnight, from the elongation in longitude."""
        at = self.sky.time(self.noon_s + 12 * 3600)
        _, sun, _ = self.sky.earth.at(at).observe(self.sky.sun).apparent().ecliptic_latlon("date")
        _, moon, _ = self.sky.earth.at(at).observe(self.sky.moon).apparent().ecliptic_latlon("date")
        elongation = (moon.degrees - sun.degrees + 180) % 360 - 180
        return float(elongation / 12.19)  # mean daily motion of the Moon from the Sun


@pytest.fixture(scope="module")
def first_night():
    return Seen(load_night(CONFIGS / "orders/first-night.yaml"))


def test_first_night_has_a_change_of_target_before_midnight(first_night):
    dusk, dawn = first_night.hours(first_night.dark)
    begins, ends = first_night.hours(first_night.free(0))
    altitude, azimuth = first_night.altaz(0)
    last = np.flatnonzero(first_night.free(0))[-1]
    assert 7 < dusk < 8 and 16 < dawn < 17.5
    assert begins == pytest.approx(dusk, abs=0.06)
    assert altitude[first_night.dark][0] > 60
    assert 11 < ends < 12
    assert 240 < azimuth[last] < 300
    assert 28 < altitude[last] < 37
    # The first target is past the meridian at dusk: it needs no flip.
    assert first_night.transit_h(0) < dusk - 0.5


def test_first_night_has_a_flip_and_a_target_till_dawn(first_night):
    _, dawn = first_night.hours(first_night.dark)
    _, gone = first_night.hours(first_night.free(0))
    begins, ends = first_night.hours(first_night.free(1))
    assert begins < gone
    assert ends == pytest.approx(dawn, abs=0.06)
    assert 14 < first_night.transit_h(1) < 16
    free = first_night.free(1)
    assert free[np.flatnonzero(free)[0] : np.flatnonzero(free)[-1]].all()


def test_first_night_orders_fill_the_night(first_night):
    orders = [target.order for target in first_night.night.targets]
    ordered_h = [sum(f.exposure_s * f.count for f in order.frames) / 3600 for order in orders]
    dusk, dawn = first_night.hours(first_night.dark)
    _, gone = first_night.hours(first_night.free(0))
    assert ordered_h[0] > gone - dusk
    assert ordered_h[1] > dawn - gone
    frames = sum(f.count for order in orders for f in order.frames)
    mean_s = 3600 * sum(ordered_h) / frames
    # What fits with a tenth lost to overheads is somewhat below a hundred frames.
    assert 75 < 0.9 * (dawn - dusk) * 3600 / mean_s < 130
    assert 1 < first_night.moon_age_days() < 3


def test_southern_night_has_its_targets_and_a_flip():
    seen = Seen(load_night(CONFIGS / "orders/southern-night.yaml"))
    dusk, dawn = seen.hours(seen.dark)
    assert seen.hours(seen.free(0))[0] == pytest.approx(dusk, abs=0.06)
    assert seen.hours(seen.free(1))[1] == pytest.approx(dawn, abs=0.06)
    assert 12 < seen.transit_h(1) < 13.5
    assert -2 < seen.moon_age_days() < 0


def test_colour_night_has_something_to_do_till_dawn():
    seen = Seen(load_night(CONFIGS / "orders/colour-night.yaml"))
    dusk, dawn = seen.hours(seen.dark)
    first, second = seen.hours(seen.free(0)), seen.hours(seen.free(1))
    assert first[0] == pytest.approx(dusk, abs=0.06)
    assert second[0] < first[1] < second[1]
    assert seen.hours(seen.free(2))[1] == pytest.approx(dawn, abs=0.06)
    assert -4 < seen.moon_age_days() < -2
