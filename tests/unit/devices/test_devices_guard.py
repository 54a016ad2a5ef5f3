"""Limits are judged against astropy's altitudes, not those of the code under test."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time
from astropy.utils import iers

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.contract.kinds import Pulse, Slew, Track, Unpark
from midwatch.devices.host import mount_limits
from midwatch.devices.host.limit_guard import LimitGuard
from midwatch.orders.models import MotionLimits, Mount, mount_geometry
from midwatch.sky import Horizon, MountLimits
from midwatch.sky.mounts import ForkEquatorial
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch.virtual_time import run_virtual
from support.device_toys import PLACE, START, Kind, ToyMount, at_hour_angle, toy_rig

LIMITS = MountLimits(
    horizon=Horizon.flat(20.0), geometry=GermanEquatorial(5.0, 2.5), sun_min_sep_deg=30.0
)
SITE = EarthLocation(
    lon=PLACE.longitude_deg * u.deg, lat=PLACE.latitude_deg * u.deg, height=PLACE.elevation_m * u.m
)


@pytest.fixture(autouse=True)
def offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        yield


def altitude_deg(ra_deg: float, dec_deg: float, when: datetime) -> float:
    frame = AltAz(obstime=Time(when.replace(tzinfo=None)), location=SITE)
    return float(SkyCoord(ra_deg * u.deg, dec_deg * u.deg).transform_to(frame).alt.deg)


async def start_tracking(rig, ra_deg: float, dec_deg: float, **slew):
    mount = rig.client(Kind.MOUNT)
    await mount.start()
    await mount.do(Unpark(), 5)
    await mount.do(Slew(ra_deg=ra_deg, dec_deg=dec_deg, **slew), 60)
    return mount


async def tracked_until_held(rig, mount) -> tuple[datetime, dict]:
    """Track for some hours; when tracking ended, and what was told of it."""
    seen: list[dict] = []
    mount.on_event(lambda name, facts: seen.append(dict(facts)) if name == "limit_held" else None)
    await mount.until(lambda state: not state.tracking, 40_000)
    ended = rig.clock.now()
    await rig.clock.sleep(120)
    assert len(seen) == 1
    assert not mount.state.tracking
    return ended, seen[0]


def test_tracking_is_stopped_before_the_horizon_though_no_daemon_asks():
    ra = at_hour_angle(START, 30.0)

    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = await start_tracking(rig, ra, 5.0)
            held = await tracked_until_held(rig, mount)
            await mount.stop()
            return held

    ended, seen = run_virtual(main)
    altitude = altitude_deg(ra, 5.0, ended)
    # Stopping takes the toy 2 s, in which the sky turns by 0.008 deg.
    assert 20.0 <= altitude < 20.1
    assert seen["limit"] == "horizon"
    assert seen["stopped"] is True
    assert "20.03 deg" in seen["message"]


def test_tracking_is_stopped_before_the_meridian_limit():
    ra = at_hour_angle(START, -3.0)

    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = await start_tracking(rig, ra, 20.0, pier_side="west")
            held = await tracked_until_held(rig, mount)
            await mount.stop()
            return held

    ended, seen = run_virtual(main)
    frame = AltAz(obstime=Time(ended.replace(tzinfo=None)), location=SITE)
    # The hour angle from astropy's own apparent place and sidereal time.
    apparent = SkyCoord(ra * u.deg, 20 * u.deg).transform_to(frame)
    alt, az, lat = (math.radians(x) for x in (apparent.alt.deg, apparent.az.deg, 46.0))
    hour_angle = math.degrees(
        math.atan2(
            -math.sin(az) * math.cos(alt),
            math.sin(alt) * math.cos(lat) - math.cos(alt) * math.cos(az) * math.sin(lat),
        )
    )
    assert 4.9 < hour_angle <= 5.0
    assert seen["limit"] == "meridian"


def test_a_fork_is_stopped_before_its_cables_end_and_not_at_the_meridian():
    ra = at_hour_angle(START, -3.0)
    fork = MountLimits(
        horizon=Horizon.flat(-20.0), min_alt_deg=-20.0, geometry=ForkEquatorial(30.0, 5.0),
        sun_min_sep_deg=30.0,
    )  # fmt: skip

    async def main():
        async with toy_rig(Kind.MOUNT, limits=fork) as rig, rig.lease:
            mount = await start_tracking(rig, ra, 20.0, pier_side="west")
            with pytest.raises(CommandError, match="base of the fork"):
                await mount.do(Slew(ra_deg=ra, dec_deg=87.0), 60)
            with pytest.raises(CommandError, match="cables of the fork"):
                await mount.do(Slew(ra_deg=at_hour_angle(START, -40.0), dec_deg=20.0), 60)
            ended, seen = await tracked_until_held(rig, mount)
            await mount.stop()
            return (ended - START).total_seconds(), seen

    after_s, seen = run_virtual(main)
    # From -3 to 30 degrees at 15.04107 degrees an hour; half a degree of precession and the margin.
    assert after_s == pytest.approx(33.0 / 15.04107 * 3600.0, abs=180.0)
    assert seen["limit"] == "axes"


def test_tracking_is_stopped_before_the_sun_comes_near():
    morning = datetime(2027, 3, 11, 3, 0, tzinfo=UTC)
    sun = get_body("sun", Time(morning.replace(tzinfo=None)), SITE)
    # Twenty-five degrees west of the Sun; the Sun begins to count at -18 deg.
    ra, dec = float(sun.ra.deg - 25) % 360, float(sun.dec.deg)
    limits = MountLimits(horizon=Horizon.flat(-30.0), min_alt_deg=-30, sun_min_sep_deg=30.0)

    async def main():
        async with toy_rig(Kind.MOUNT, limits=limits, start=morning) as rig, rig.lease:
            mount = await start_tracking(rig, ra, dec)
            held = await tracked_until_held(rig, mount)
            await mount.stop()
            return held

    ended, seen = run_virtual(main)
    when = Time(ended.replace(tzinfo=None))
    sun_alt = get_body("sun", when, SITE).transform_to(AltAz(obstime=when, location=SITE)).alt.deg
    assert -18.3 < sun_alt <= -18.0
    assert seen["limit"] == "sun"


def test_small_moves_and_a_narrow_wall_do_not_carry_a_mount_over_the_limit():
    ra, dec = at_hour_angle(START, 20.0), 30.0
    wall = MountLimits(
        horizon=Horizon.from_pairs([(0, 10), (269, 10), (270, 55), (275, 55), (276, 10)]),
        geometry=GermanEquatorial(5, 2.5),
    )  # fmt: skip

    async def main():
        async with toy_rig(Kind.MOUNT, limits=wall) as rig, rig.lease:
            mount = await start_tracking(rig, ra, dec)
            driver = rig.hosts["mount"].driver
            tracked = []
            rng = np.random.default_rng(3)
            while driver.now.tracking:
                dithered = ra + rng.uniform(-0.008, 0.008)
                driver.become(ra_deg=dithered)
                tracked.append((rig.clock.now(), dithered))
                await rig.clock.sleep(47.0)
            await mount.stop()
            return tracked, rig.clock.now()

    tracked, _ = run_virtual(main)
    assert len(tracked) > 20
    times = Time([when.replace(tzinfo=None) for when, _ in tracked])
    frame = AltAz(obstime=times, location=SITE)
    at = SkyCoord([where for _, where in tracked] * u.deg, dec * u.deg).transform_to(frame)
    floor = np.interp(at.az.deg, [0, 269, 270, 275, 276, 360], [10, 10, 55, 55, 10, 10])
    assert np.all(at.alt.deg >= floor)


@pytest.mark.parametrize(("ra_by_deg", "dec_by_deg"), [(0.0, -15.0), (-15.8, 0.0)])
def test_a_moved_mount_is_judged_from_where_it_has_gone(ra_by_deg, dec_by_deg):
    ra, dec = at_hour_angle(START, 55.0, 20.0), 20.0

    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = await start_tracking(rig, ra, dec)
            await rig.clock.sleep(100)
            rig.hosts["mount"].driver.become(ra_deg=ra + ra_by_deg, dec_deg=dec + dec_by_deg)
            held = await tracked_until_held(rig, mount)
            await mount.stop()
            return held

    ended, _ = run_virtual(main)
    assert 20.0 <= altitude_deg(ra + ra_by_deg, dec + dec_by_deg, ended) < 20.1


@pytest.mark.parametrize(
    ("ha_deg", "dec_deg", "side", "word"),
    [
        (85.0, -10.0, None, "altitude"),
        (7.0, 20.0, "west", "past the limit"),
        (-20.0, 20.0, "east", "short of the limit"),
        # Inside now, but not on arrival.
        (4.93, 20.0, "west", "past the limit"),
    ],
)
def test_slews_that_would_end_outside_the_limits_are_refused_and_nothing_moves(
    ha_deg, dec_deg, side, word
):
    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = await start_tracking(rig, at_hour_angle(START, 30), 40.0)
            before = rig.hosts["mount"].driver.now
            target = Slew(
                ra_deg=at_hour_angle(rig.clock.now(), ha_deg, dec_deg),
                dec_deg=dec_deg,
                pier_side=side,
            )
            with pytest.raises(CommandError) as caught:
                await mount.do(target, 60)
            await mount.stop()
            return caught.value, before == rig.hosts["mount"].driver.now

    error, unmoved = run_virtual(main)
    assert error.kind is ErrorKind.LIMIT
    assert word in error.message
    assert unmoved


def test_a_way_past_the_sun_is_refused():
    noon = datetime(2027, 3, 11, 11, 30, tzinfo=UTC)
    sun = get_body("sun", Time(noon.replace(tzinfo=None)), SITE)
    limits = MountLimits(
        horizon=Horizon.flat(-5.0), min_alt_deg=-5, geometry=GermanEquatorial(90, 90),
        sun_min_sep_deg=30.0,
    )  # fmt: skip

    async def main():
        async with toy_rig(Kind.MOUNT, limits=limits, start=noon) as rig, rig.lease:
            east = float(sun.ra.deg + 50) % 360, float(sun.dec.deg)
            west = float(sun.ra.deg - 50) % 360, float(sun.dec.deg)
            rig.hosts["mount"].driver.become(ra_deg=east[0])
            mount = await start_tracking(rig, *east)
            with pytest.raises(CommandError) as caught:
                await mount.do(Slew(ra_deg=west[0], dec_deg=west[1]), 60)
            await mount.do(Slew(ra_deg=east[0], dec_deg=60.0), 60)
            await mount.stop()
            return caught.value

    error = run_virtual(main)
    assert error.kind is ErrorKind.LIMIT
    assert "Sun" in error.message


def test_in_twilight_only_the_end_of_a_slew_is_judged():
    dusk = datetime(2027, 3, 10, 18, 15, tzinfo=UTC)
    sun = get_body("sun", Time(dusk.replace(tzinfo=None)), SITE)
    limits = MountLimits(
        horizon=Horizon.flat(-40), min_alt_deg=-40, geometry=GermanEquatorial(180, 180),
        sun_min_sep_deg=30.0,
    )  # fmt: skip

    async def main():
        async with toy_rig(Kind.MOUNT, limits=limits, start=dusk) as rig, rig.lease:
            rig.hosts["mount"].driver.become(ra_deg=float(sun.ra.deg - 50) % 360, dec_deg=0.0)
            mount = await start_tracking(rig, float(sun.ra.deg + 50) % 360, 0.0)
            with pytest.raises(CommandError) as caught:
                await mount.do(Slew(ra_deg=float(sun.ra.deg + 20) % 360, dec_deg=0.0), 60)
            await mount.stop()
            return caught.value, mount.state.tracking

    error, tracking = run_virtual(main)
    assert error.kind is ErrorKind.LIMIT
    assert "from the Sun" in error.message
    assert tracking


def test_tracking_and_pulses_are_refused_outside_and_allowed_inside():
    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Unpark(), 5)
            driver = rig.hosts["mount"].driver
            low = at_hour_angle(rig.clock.now(), 85.0)
            driver.become(ra_deg=low, dec_deg=0.0, pier_side="east")
            kinds = []
            for command in (Track(on=True), Pulse(direction="west", duration_ms=1000)):
                with pytest.raises(CommandError) as caught:
                    await mount.do(command, 5)
                kinds.append(caught.value.kind)
            await mount.do(Track(on=False), 5)
            driver.become(ra_deg=at_hour_angle(rig.clock.now(), 20.0), dec_deg=30.0)
            await mount.do(Track(on=True), 5)
            await mount.do(Pulse(direction="west", duration_ms=1000), 5)
            return kinds, driver.now.tracking

    kinds, tracking = run_virtual(main)
    assert kinds == [ErrorKind.LIMIT, ErrorKind.LIMIT]
    assert tracking


@pytest.mark.parametrize(
    ("ha_deg", "dec_deg", "outward", "inward"),
    [
        # South on the meridian the altitude is 90 - 46 + declination.
        (0.05, -23.945, "south", "north"),
        # Due west on the equator: sin(altitude) = cos(46 deg) cos(hour angle).
        (math.degrees(math.acos(math.sin(math.radians(20.055)) / math.cos(math.radians(46)))), 0.0,
         "west", "east"),
    ],
)  # fmt: skip
def test_a_pulse_is_judged_by_where_it_ends(ha_deg, dec_deg, outward, inward):
    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = rig.client(Kind.MOUNT)
            await mount.do(Unpark(), 5)
            dec = dec_of_date(dec_deg, ha_deg)
            ra = at_hour_angle(rig.clock.now(), ha_deg, dec)
            rig.hosts["mount"].driver.become(ra_deg=ra, dec_deg=dec, pier_side="east")
            await mount.do(Pulse(direction=inward, duration_ms=10), 5)
            await mount.do(Pulse(direction=outward, duration_ms=10), 5)
            with pytest.raises(CommandError) as caught:
                await mount.do(Pulse(direction=outward, duration_ms=10_000), 20)
            return caught.value.kind

    assert run_virtual(main) is ErrorKind.LIMIT


def dec_of_date(dec_deg: float, ha_deg: float) -> float:
    """The ICRS declination whose apparent one at this hour angle is `dec_deg`, by astropy."""
    when = Time(START.replace(tzinfo=None))
    found = dec_deg
    for _ in range(3):
        ra = at_hour_angle(START, ha_deg, found)
        frame = AltAz(obstime=when, location=SITE)
        at = SkyCoord(ra * u.deg, found * u.deg).transform_to(frame)
        alt, az, lat = at.alt.rad, at.az.rad, math.radians(46.0)
        apparent = math.asin(
            math.sin(lat) * math.sin(alt) + math.cos(lat) * math.cos(alt) * math.cos(az)
        )
        found += dec_deg - math.degrees(apparent)
    return found


def test_a_motor_that_does_not_obey_is_stopped_by_stronger_means():
    def deaf(context):
        mount = ToyMount(context)
        mount.deaf = True
        return mount

    async def main():
        deaf_rig = toy_rig(Kind.MOUNT, limits=LIMITS, factories={Kind.MOUNT: deaf})
        async with deaf_rig as rig, rig.lease:
            mount = await start_tracking(rig, at_hour_angle(START, 30.0), 5.0)
            held = await tracked_until_held(rig, mount)
            await mount.stop()
            return held

    _, seen = run_virtual(main)
    assert seen["stopped"] is True


def test_tracking_that_nobody_commanded_is_noticed():
    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig:
            driver = rig.hosts["mount"].driver
            low = at_hour_angle(START, 85.0)
            driver.become(ra_deg=low, dec_deg=0.0, parked=False, at_rest=False, tracking=True)
            await rig.clock.sleep(5)
            return driver.now.tracking

    assert run_virtual(main) is False


def test_a_host_without_limits_leaves_the_mount_alone():
    async def main():
        async with toy_rig(Kind.MOUNT) as rig, rig.lease:
            mount = await start_tracking(rig, at_hour_angle(START, 85.0), 0.0)
            await rig.clock.sleep(3600)
            await mount.stop()
            return rig.hosts["mount"].driver.now.tracking

    assert run_virtual(main) is True


def test_limits_of_a_rig_in_degrees():
    motion = MotionLimits(
        min_altitude_deg=15, horizon_margin_deg=2, past_meridian_min=20, before_meridian_min=10,
        sun_distance_deg=45,
    )  # fmt: skip
    limits = mount_limits(motion, mount_geometry(Mount(), motion), Horizon.flat(10))
    # 24 h of hour angle are 360 deg.
    assert limits.geometry == GermanEquatorial(5.0, 2.5, 0.75)
    assert limits.horizon.altitude_at(123) == 12.0
    assert (limits.min_alt_deg, limits.sun_min_sep_deg) == (15, 45)
    tight = MountLimits(horizon=Horizon.flat(0)).drawn_in(0.5)
    assert (tight.min_alt_deg, tight.geometry) == (0.5, GermanEquatorial(0.0, 0.0))


def test_looking_costs_little_between_plans():
    """The plan is made once an hour; what is asked in between does not search the sky."""

    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            plans = []
            guard = rig.hosts["mount"]._guard
            assert isinstance(guard, LimitGuard)
            planned = guard._planned
            guard._planned = lambda *args: plans.append(rig.clock.mono()) or planned(*args)
            mount = await start_tracking(rig, at_hour_angle(START, -60.0), 80.0)
            await rig.clock.sleep(3 * 3600)
            await mount.stop()
            return plans, rig.hosts["mount"].driver.now.tracking

    plans, tracking = run_virtual(main)
    assert tracking
    assert len(plans) == 3


def test_a_plan_that_ends_within_a_clocks_resolution_is_over():
    """Virtual time goes by microseconds: what is left below one would be waited for for ever."""

    async def main():
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            guard = rig.hosts["mount"]._guard
            assert isinstance(guard, LimitGuard)
            planned = guard._planned
            guard._planned = lambda state, now_s: replace(
                planned(state, now_s), ends_mono_s=now_s + 100.0000004
            )
            mount = await start_tracking(rig, at_hour_angle(START, -60.0), 80.0)
            await rig.clock.sleep(300)
            await mount.stop()
            return rig.hosts["mount"].driver.now.tracking

    assert run_virtual(main)


@pytest.mark.parametrize("off_deg", [0.05, 3.0, -3.0])
def test_a_mount_with_another_time_is_stopped_at_whichever_limit_comes_first(off_deg: float):
    """Its clock is wrong: where it points is not where it says, or its hour angle is not right."""

    async def main() -> float:
        async with toy_rig(Kind.MOUNT, limits=LIMITS) as rig, rig.lease:
            mount = await start_tracking(rig, at_hour_angle(rig.clock.now(), -2.0), 30.0)
            driver = rig.hosts["mount"].driver
            assert isinstance(driver, ToyMount)
            began_s = rig.clock.mono()
            while driver.now.tracking:
                ours_deg = float(
                    driver.observer.hour_angle_deg(
                        driver.now.ra_deg, driver.now.dec_deg, rig.clock.unix_s()
                    )
                )
                driver.become(hour_angle_deg=ours_deg + off_deg, alt_deg=50.0, az_deg=170.0)
                await rig.clock.sleep(10.0)
            await mount.stop()
            return rig.clock.mono() - began_s

    tracked_deg = run_virtual(main) * 15.041 / 3600.0
    # From -2 to +5 degrees by our reckoning; a mount that says more may really be there.
    first_deg = 7.0 - max(off_deg, 0.0) if off_deg > 0.1 else 7.0
    # Looked at every 10 s, in which the sky turns by 0.04 deg.
    assert first_deg - 0.2 < tracked_deg <= first_deg + 0.1
