import math

import numpy as np
import pytest

from midwatch.sky import SIDEREAL_DEG_PER_S, Observer, Place
from midwatch.sky.polar import (
    KnobGuide,
    SolvedFrame,
    WeakGeometryError,
    axis_from_drift,
    axis_from_frames,
    drift_from_frames,
    knob_leverage,
    knob_turns,
)
from midwatch.sky.polar.axis import Drift
from midwatch.sky.polar.field_rotation import field_rotation_deg

UTC_S = 1_804_708_800.0  # 2027-03-10 20:00 UTC
AIRLESS = 0.0


def horizontal(alt_deg: float, az_deg: float) -> np.ndarray:
    alt, az = math.radians(alt_deg), math.radians(az_deg)
    east, north = math.cos(alt) * math.sin(az), math.cos(alt) * math.cos(az)
    return np.array([east, north, math.sin(alt)])


def turned(vector: np.ndarray, about: np.ndarray, angle_deg: float) -> np.ndarray:
    angle = math.radians(angle_deg)
    across = np.cross(about, vector)
    return (
        vector * math.cos(angle)
        + across * math.sin(angle)
        + about * np.dot(about, vector) * (1 - math.cos(angle))
    )


class Rig:
    """A telescope on a base with two knobs, in an airless world."""

    def __init__(self, latitude_deg: float, altitude_arcmin: float, azimuth_arcmin: float) -> None:
        self.place = Place(latitude_deg, 13.4, 500.0, pressure_hpa=AIRLESS)
        self.observer = Observer(self.place)
        self.south = latitude_deg < 0.0
        self.altitude, self.azimuth = altitude_arcmin, azimuth_arcmin

    @property
    def axis(self) -> np.ndarray:
        alt = abs(self.place.latitude_deg) + self.altitude / 60.0
        return horizontal(alt, (180.0 if self.south else 0.0) + self.azimuth / 60.0)

    def look(self, cone_deg: float, around_deg: float) -> np.ndarray:
        """Direction at a distance from the axis, so far around it from the top to the west."""
        level = np.cross(self.axis, [0.0, 0.0, 1.0])
        level /= np.linalg.norm(level)
        top = turned(self.axis, level, cone_deg)
        return turned(top, self.axis, around_deg if self.south else -around_deg)

    def frame(self, cone_deg: float, around_deg: float, after_s: float = 0.0) -> SolvedFrame:
        east, north, up = self.look(cone_deg, around_deg)
        alt, az = math.degrees(math.asin(up)), math.degrees(math.atan2(east, north))
        ra, dec = self.observer.icrs_from_altaz(alt, az, UTC_S + after_s)
        return SolvedFrame(float(ra), float(dec), UTC_S + after_s)


def shaken(frame: SolvedFrame, rng: np.random.Generator, sigma_arcsec: float) -> SolvedFrame:
    east, north = rng.normal(0.0, sigma_arcsec / 3600.0, 2)
    ra = frame.ra_deg + east / math.cos(math.radians(frame.dec_deg))
    return SolvedFrame(ra, frame.dec_deg + north, frame.utc_s)


def off_arcsec(rig: Rig, altitude_arcmin: float, azimuth_arcmin: float) -> float:
    found = Rig(rig.place.latitude_deg, altitude_arcmin, azimuth_arcmin).axis
    return math.degrees(float(np.linalg.norm(np.cross(found, rig.axis)))) * 3600.0


# Solved frames --------------------------------------------------------------------------------


def test_recovers_axes_of_all_sizes_and_latitudes_from_noisy_frames():
    # The same, with a hundred times as many, is in the benchmark.
    rng = np.random.default_rng(4)
    offs, seen = [], []
    for latitude in np.linspace(-60.0, 70.0, 12):
        size, way = 60.0 * 10 ** rng.uniform(-1.0, 0.7), rng.uniform(0.0, 2.0 * math.pi)
        rig = Rig(
            latitude, size * math.sin(way), size * math.cos(way) / math.cos(math.radians(latitude))
        )
        frames = [
            shaken(rig.frame(60.0, around, 30.0 * number), rng, 2.0)
            for number, around in enumerate(np.repeat([-75.0, -40.0, -5.0], 3))
        ]
        found = axis_from_frames(rig.observer, frames)
        offs.append(off_arcsec(rig, found.altitude_arcmin, found.azimuth_arcmin))
        along = math.cos(math.radians(latitude))
        seen.append(math.hypot(found.sigma_altitude_arcmin, found.sigma_azimuth_arcmin * along))
    assert max(offs) < 30.0
    # Errors are as large as they are said to be: 24 numbers know that within 15 percent.
    ratio = np.sqrt(np.mean(np.square(offs))) / (60.0 * np.sqrt(np.mean(np.square(seen))))
    assert 0.55 < ratio < 1.45


def test_a_bad_frame_among_many_shows_in_residual_and_uncertainty():
    rig = Rig(50.0, 10.0, 10.0)
    frames = [rig.frame(50.0, around) for around in (-70.0, -50.0, -30.0, -10.0)]
    calm = axis_from_frames(rig.observer, frames)
    bad = SolvedFrame(frames[1].ra_deg, frames[1].dec_deg + 0.1, frames[1].utc_s)
    upset = axis_from_frames(rig.observer, [frames[0], bad, *frames[2:]])
    assert calm.residual_arcsec < 0.01
    assert upset.residual_arcsec > 60.0
    assert upset.sigma_altitude_arcmin > 20.0 * calm.sigma_altitude_arcmin
    assert any("uncertain" in warning for warning in upset.warnings)


def test_says_what_makes_a_result_weak():
    rig = Rig(50.0, 10.0, 10.0)
    narrow = axis_from_frames(rig.observer, [rig.frame(50.0, a) for a in (-30.0, -20.0, -10.0)])
    assert any("20 deg only" in warning for warning in narrow.warnings)
    low = axis_from_frames(rig.observer, [rig.frame(80.0, a) for a in (-95.0, -60.0, -25.0)])
    assert any("refraction" in warning for warning in low.warnings)
    polar = Rig(85.0, 10.0, 10.0)
    found = axis_from_frames(polar.observer, [polar.frame(50.0, a) for a in (-70.0, -40.0, -10.0)])
    assert any("azimuth means little" in warning for warning in found.warnings)
    wide = axis_from_frames(rig.observer, [rig.frame(50.0, a) for a in (-70.0, -40.0, -10.0)])
    assert wide.warnings == ()


@pytest.mark.parametrize(
    ("cone_deg", "arounds", "said"),
    [
        (50.0, (-10.0, -40.0), "three solved frames"),
        (50.0, (-10.0, -10.5, -11.0), "turn the mount in right ascension"),
        (0.05, (-10.0, -40.0, -70.0), "from the axis itself"),
    ],
)
def test_refuses_what_tells_nothing(cone_deg, arounds, said):
    rig = Rig(50.0, 10.0, 10.0)
    with pytest.raises(WeakGeometryError, match=said):
        axis_from_frames(rig.observer, [rig.frame(cone_deg, around) for around in arounds])


def test_a_field_on_the_equator_lies_on_a_plane_and_is_as_good():
    rig = Rig(40.0, -30.0, 45.0)
    found = axis_from_frames(rig.observer, [rig.frame(90.0, a) for a in (-60.0, -30.0, 0.0)])
    assert (found.altitude_arcmin, found.azimuth_arcmin) == pytest.approx((-30.0, 45.0), abs=0.01)


# Drift ----------------------------------------------------------------------------------------


def test_drifts_at_any_hour_angles_and_their_uncertainty():
    rng = np.random.default_rng(7)
    rig = Rig(-35.0, 22.0, -40.0)
    offs, seen = [], []
    for _ in range(12):
        drifts = []
        for around in (-80.0, -45.0, 10.0):
            times = np.arange(0.0, 301.0, 30.0)
            frames = [rig.frame(70.0, around + SIDEREAL_DEG_PER_S * t, t) for t in times]
            noisy = [shaken(frame, rng, 1.0) for frame in frames]
            drifts.append(drift_from_frames(rig.observer, noisy, sigma_arcsec=1.0))
        found = axis_from_drift(rig.place, drifts)
        offs.append(off_arcsec(rig, found.altitude_arcmin, found.azimuth_arcmin) / 60.0)
        along = math.cos(math.radians(35.0))
        seen.append(math.hypot(found.sigma_altitude_arcmin, found.sigma_azimuth_arcmin * along))
    assert 0.6 < np.sqrt(np.mean(np.square(offs))) / np.mean(seen) < 1.4
    assert np.mean(seen) < 1.5


def test_drift_needs_two_hour_angles_and_two_times():
    place = Place(50.0, 0.0)
    with pytest.raises(WeakGeometryError, match="two hour angles"):
        axis_from_drift(place, [Drift(0.0, 10.0, 1.0)])
    with pytest.raises(WeakGeometryError, match="one field near the meridian"):
        axis_from_drift(place, [Drift(0.0, 10.0, 1.0), Drift(1.0, 10.0, 1.0)])
    with pytest.raises(WeakGeometryError, match="two or more times"):
        drift_from_frames(Observer(place), [SolvedFrame(10.0, 10.0, UTC_S)] * 2)


def test_refraction_is_not_taken_for_a_misaligned_axis():
    # A perfect axis under air: stars drift with refraction alone, and an airless reading of that
    # would blame the axis. The rates are differences of refracted places, made here.
    place = Place(50.0, 0.0, pressure_hpa=1010.0)
    aligned = [Drift(ha, 20.0, refraction_drift(50.0, ha, 20.0)) for ha in (-60.0, -10.0)]
    found = axis_from_drift(place, aligned)
    assert found.total_arcmin < 0.05
    blamed = axis_from_drift(Place(50.0, 0.0, pressure_hpa=AIRLESS), aligned)
    assert blamed.total_arcmin > 0.4


def refraction_drift(latitude_deg: float, ha_deg: float, dec_deg: float) -> float:
    """Northward drift by refraction, arcsec a minute, for a mount turning at the sidereal rate."""

    def apparent_dec(ha: float) -> float:
        pole = horizontal(latitude_deg, 0.0)
        star = turned(horizontal(90.0 - latitude_deg + dec_deg, 180.0), pole, -ha)
        alt = math.degrees(math.asin(star[2]))
        # Saemundsson (Meeus, chapter 16).
        lift = 1.02 / math.tan(math.radians(alt + 10.3 / (alt + 5.11))) / 60.0
        lifted = horizontal(alt + lift, math.degrees(math.atan2(star[0], star[1])))
        return math.degrees(math.asin(float(lifted @ pole)))

    step = 0.125
    after_min = 2.0 * step / (SIDEREAL_DEG_PER_S * 60.0)
    return (apparent_dec(ha_deg + step) - apparent_dec(ha_deg - step)) * 3600.0 / after_min


def test_field_rotation_is_worst_near_the_pole_and_none_without_error():
    place = Place(50.0, 0.0)
    assert field_rotation_deg(place, 0.0, 0.0, 30.0, 60.0, 3600.0) == 0.0
    low = field_rotation_deg(place, 10.0, 5.0, 30.0, 0.0, 3600.0)
    assert field_rotation_deg(place, 10.0, 5.0, 30.0, 60.0, 3600.0) == pytest.approx(2.0 * low)
    assert field_rotation_deg(place, 10.0, 5.0, 30.0, 90.0, 3600.0) == math.inf


# Knobs ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("latitude_deg", [-60.0, -33.0, 5.0, 46.0, 70.0])
def test_the_guide_follows_both_knobs_from_one_field(latitude_deg):
    rig = Rig(latitude_deg, 40.0, -150.0)
    guide = KnobGuide(
        rig.observer,
        axis_from_frames(rig.observer, [rig.frame(70.0, a) for a in (-60.0, -30.0, -10.0)]),
        rig.frame(70.0, -10.0),
    )
    for altitude, azimuth, after_s in ((40.0, -90.0, 30.0), (12.0, -20.0, 70.0), (0.4, 3.0, 400.0)):
        rig.altitude, rig.azimuth = altitude, azimuth
        now = guide.remaining(rig.frame(70.0, -10.0 + SIDEREAL_DEG_PER_S * after_s, after_s))
        assert now.altitude_arcmin == pytest.approx(altitude, abs=0.02)
        assert now.azimuth_arcmin == pytest.approx(azimuth, abs=0.02)


def test_knobs_are_named_for_the_elevated_pole():
    north, south = Place(46.0, 0.0), Place(-31.0, 0.0)
    rig = Rig(46.0, 12.0, 25.0)  # too high, azimuth too large: east of the northern pole
    error = axis_from_frames(rig.observer, [rig.frame(60.0, a) for a in (-60.0, -30.0, 0.0)])
    assert [t.words() for t in knob_turns(north, error)] == [
        "lower the axis 12.0 arcmin",
        "turn the axis 25.0 arcmin west",
    ]
    # What was found cannot be taken for what is to do.
    assert [t.found() for t in knob_turns(north, error)] == [
        "12.0 arcmin too high",
        "25.0 arcmin too far east",
    ]
    # The same azimuth error in the south is west of the pole.
    assert knob_turns(south, error)[1].words() == "turn the axis 25.0 arcmin east"


def test_fields_that_hide_a_knob_are_refused():
    place = Place(46.0, 13.4)
    assert knob_leverage(place, horizontal(45.0, 180.0)) == pytest.approx(
        math.cos(math.radians(45))
    )
    assert knob_leverage(place, horizontal(90.0, 0.0)) == pytest.approx(0.0, abs=1e-9)
    assert knob_leverage(place, horizontal(0.0, 90.0)) == pytest.approx(0.0, abs=1e-9)
    rig = Rig(46.0, 12.0, 25.0)
    error = axis_from_frames(rig.observer, [rig.frame(60.0, a) for a in (-60.0, -30.0, 0.0)])
    with pytest.raises(WeakGeometryError, match="near the meridian"):
        KnobGuide(rig.observer, error, rig.frame(44.0, 0.0))
