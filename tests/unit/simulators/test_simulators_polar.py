"""The simulated base, seen through frames: what is measured is what was set."""

import math
from dataclasses import replace

import pytest

from midwatch.devices.contract.kinds import Slew, Sync, Unpark
from midwatch.sky import Observer, Place
from midwatch.sky.polar import SolvedFrame, axis_from_drift, axis_from_frames, drift_from_frames
from midwatch_simulators.base import MountTruth
from midwatch_simulators.mount.mount_base import Base
from midwatch_simulators.mount.simulated_mount import make
from support.simulators_bench import Bench, connected, on_bench

NORTH, SOUTH = Place(46.0, 8.0, 1200.0), Place(-31.4, 144.1, 180.0)


async def mount_at(bench: Bench, high: float, east: float, **options: object):
    settings = {"flexure_arcsec": 0.0, **options}
    mount = await connected(
        make(bench.context("mount", polar_high_arcmin=high, polar_east_arcmin=east, **settings))
    )
    await mount.perform(Unpark())
    return mount


def place_at(bench: Bench, ha_deg: float, dec_deg: float) -> tuple[float, float]:
    """Catalogue position at an hour angle and a declination of date."""
    latitude = math.radians(bench.place.latitude_deg)
    ha, dec = math.radians(ha_deg), math.radians(dec_deg)
    up = math.sin(latitude) * math.sin(dec) + math.cos(latitude) * math.cos(dec) * math.cos(ha)
    north = math.cos(latitude) * math.sin(dec)
    north -= math.sin(latitude) * math.cos(dec) * math.cos(ha)
    east = -math.cos(dec) * math.sin(ha)
    az = math.degrees(math.atan2(east, north))
    observer = Observer(bench.place)
    ra, icrs_dec = observer.icrs_from_altaz(math.degrees(math.asin(up)), az, bench.clock.unix_s())
    return float(ra), float(icrs_dec)


def true_frame(bench: Bench) -> SolvedFrame:
    now = bench.clock.unix_s()
    return SolvedFrame(*MountTruth.model_validate(bench.truths["mount"]).pointing(now), now)


@pytest.mark.parametrize("place", [NORTH, SOUTH])
@pytest.mark.parametrize(("high", "east"), [(0.0, 0.0), (-8.0, 20.0), (180.0, -240.0)])
@pytest.mark.parametrize("synced", [False, True])
def test_three_pointings_show_the_axis_as_it_was_set(place, high, east, synced):
    async def main(bench: Bench):
        mount = await mount_at(bench, high, east)
        dec = math.copysign(20.0, place.latitude_deg)
        frames = []
        for ha in (-70.0, -40.0, -10.0):
            ra, icrs_dec = place_at(bench, ha, dec)
            await mount.perform(Slew(ra_deg=ra, dec_deg=icrs_dec))
            if synced and not frames:
                seen = true_frame(bench)
                await mount.perform(Sync(ra_deg=seen.ra_deg, dec_deg=seen.dec_deg))
                ra, icrs_dec = place_at(bench, ha, dec)
                await mount.perform(Slew(ra_deg=ra, dec_deg=icrs_dec))
            await bench.clock.sleep(5.0)
            frames.append(true_frame(bench))
        return axis_from_frames(Observer(place), frames)

    found = on_bench(main, place=place)
    # Arcsec of moves of the declination axis, times the leverage of 60 degrees; a sync over
    # degrees is kept along the axes of the catalogue, which are not quite those of date.
    within = 0.25 + (0.003 * math.hypot(high, east) if synced else 0.0)
    assert found.altitude_arcmin == pytest.approx(high, abs=within)
    sign = 1.0 if place.latitude_deg > 0.0 else -1.0
    assert found.azimuth_arcmin == pytest.approx(sign * east, abs=within)


@pytest.mark.parametrize("place", [NORTH, SOUTH])
def test_knobs_move_the_axis_and_the_field_with_it(place):
    async def main(bench: Bench):
        mount = await mount_at(bench, 30.0, -45.0, worm_arcsec=0.0)
        drifts = []
        mount._body.turn_knobs(-20.0, 40.0)
        for ha in (-75.0, -5.0):
            ra, icrs_dec = place_at(bench, ha, 20.0)
            await mount.perform(Slew(ra_deg=ra, dec_deg=icrs_dec))
            frames = []
            for _ in range(6):
                await bench.clock.sleep(60.0)
                frames.append(true_frame(bench))
            drifts.append(drift_from_frames(Observer(place), frames))
        # While it tracks, the simulated sky is not refracted.
        return axis_from_drift(replace(place, pressure_hpa=0.0), drifts)

    found = on_bench(main, place=place)
    sign = 1.0 if place.latitude_deg > 0.0 else -1.0
    assert found.altitude_arcmin == pytest.approx(10.0, abs=0.3)
    assert found.azimuth_arcmin == pytest.approx(-5.0 * sign, abs=0.3)


@pytest.mark.parametrize("place", [NORTH, SOUTH])
def test_base_bends_there_and_back(place):
    base = Base(place, 25.0, -70.0)
    for alt, az in ((20.0, 100.0), (55.0, 190.0), (70.0, 330.0)):
        assert base.encoders(*base.look(alt, az)) == pytest.approx((alt, az), abs=1e-6)
    # An axis that is too high looks too high: at the pole itself, by as much, less the air's lift.
    pole_az = 0.0 if place.latitude_deg > 0.0 else 180.0
    straight = Base(place, 25.0, 0.0)
    airless, _ = straight.look(abs(place.latitude_deg), pole_az)
    assert airless == pytest.approx(abs(place.latitude_deg) + 25.0 / 60.0, abs=0.03)
