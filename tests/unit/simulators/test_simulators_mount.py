import asyncio
import math

import numpy as np
import pytest

from midwatch.devices.contract import DeviceError, MakeSafe, Stop
from midwatch.devices.contract.kinds import Park, Pulse, Slew, Sync, Track, Unpark
from midwatch.sky import Observer
from midwatch_simulators.base import GuiderTruth, MountTruth, shifted
from midwatch_simulators.mount.axes import Axes, Travel, axes_of, direction_of, wrapped_deg
from midwatch_simulators.mount.simulated_mount import make
from support.simulators_bench import Bench, connected, on_bench


def separation_arcsec(a: tuple[float, float], b: tuple[float, float]) -> float:
    u, v = (
        np.array(
            [
                math.cos(math.radians(dec)) * math.cos(math.radians(ra)),
                math.cos(math.radians(dec)) * math.sin(math.radians(ra)),
                math.sin(math.radians(dec)),
            ]
        )
        for ra, dec in (a, b)
    )
    return math.degrees(2 * math.asin(np.linalg.norm(u - v) / 2)) * 3600


def at_hour_angle(bench: Bench, ha_deg: float) -> float:
    return float(Observer(bench.place).local_sidereal_deg(bench.clock.unix_s()) - ha_deg) % 360


def true_position(bench: Bench) -> tuple[float, float]:
    return MountTruth.model_validate(bench.truths["mount"]).pointing(bench.clock.unix_s())


async def ready(bench: Bench, **options: object):
    mount = await connected(make(bench.context("mount", **options)))
    await mount.perform(Unpark())
    return mount


def test_lands_within_its_pointing_error_and_much_nearer_after_a_sync():
    async def main(bench: Bench):
        mount = await ready(bench, pointing_error_arcmin=6.0)
        ra = at_hour_angle(bench, -40)
        await mount.perform(Slew(ra_deg=ra, dec_deg=30))
        state = mount.state()
        first = separation_arcsec((ra, 30), true_position(bench))
        true_ra, true_dec = true_position(bench)
        await mount.perform(Sync(ra_deg=true_ra, dec_deg=true_dec))
        await mount.perform(Slew(ra_deg=ra, dec_deg=30))
        second = separation_arcsec((ra, 30), true_position(bench))
        await mount.perform(Slew(ra_deg=(ra + 8) % 360, dec_deg=34))
        third = separation_arcsec(((ra + 8) % 360, 34), true_position(bench))
        return state, ra, first, second, third

    rms = []
    for seed in range(12):
        state, ra, first, second, third = on_bench(main, seed=seed)
        assert (state.ra_deg, state.dec_deg) == pytest.approx((ra, 30), abs=1e-6)
        assert state.tracking and not state.slewing and not state.parked
        assert second < 10.0  # arcsec; as good as the mount repeats
        assert third < 3 * 60.0  # smooth over some degrees
        rms.append(first)
    # 6 arcmin of spread, twelve draws: well within a factor of two.
    assert 180 < math.sqrt(np.mean(np.square(rms))) < 720


def test_chooses_its_side_flips_and_takes_the_time_for_it():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -5), dec_deg=20))
        before, turns = mount.state(), [mount.truth().camera_turn_deg]
        began = bench.clock.mono()
        await mount.perform(Slew(ra_deg=before.ra_deg, dec_deg=20, pier_side="east"))
        turns.append(mount.truth().camera_turn_deg)
        return before, mount.state(), bench.clock.mono() - began, turns

    before, after, took_s, turns = on_bench(main)
    assert (before.pier_side, after.pier_side) == ("west", "east")
    assert (turns[1] - turns[0]) % 360.0 == 180.0  # of the camera against the sky
    # Half a turn at 3 deg/s plus one ramp of 2 s plus 3 s of settling.
    assert took_s == pytest.approx(180 / 3 + 2 + 3, abs=2)
    assert after.ra_deg == pytest.approx(before.ra_deg)
    assert after.tracking


def test_natural_side_after_the_meridian_is_east_of_the_pier():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, 20), dec_deg=20))
        return mount.state()

    state = on_bench(main)
    assert state.pier_side == "east"
    # Hour angle of an apparent place of date against one of J2000: up to 0.4 deg of precession.
    assert state.hour_angle_deg == pytest.approx(20, abs=0.6)


@pytest.mark.parametrize(
    ("hour_angle_deg", "dec_deg", "side", "words"),
    [
        (170, 10, None, "altitude"),
        (40, 20, "west", "past the meridian"),
        (-40, 20, "east", "past the meridian"),
    ],
)
def test_refuses_what_it_cannot_reach(hour_angle_deg, dec_deg, side, words):
    async def main(bench: Bench):
        mount = await ready(bench, lowest_alt_deg=5.0)
        with pytest.raises(DeviceError, match=words):
            await mount.perform(
                Slew(ra_deg=at_hour_angle(bench, hour_angle_deg), dec_deg=dec_deg, pier_side=side)
            )
        return mount.state()

    assert not on_bench(main).slewing


def test_parked_it_refuses_slews_and_tracking_and_points_at_the_pole():
    async def main(bench: Bench):
        mount = await connected(make(bench.context("mount")))
        for command in (Slew(ra_deg=100, dec_deg=40), Track(on=True)):
            with pytest.raises(DeviceError, match="parked"):
                await mount.perform(command)
        start = mount.state()
        await mount.perform(Unpark())
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -30), dec_deg=10))
        await mount.perform(MakeSafe(reason="test"))
        await bench.clock.sleep(3600)
        return start, mount.state()

    start, end = on_bench(main)
    for state in (start, end):
        assert state.parked and state.at_rest and not state.tracking
        assert state.alt_deg == pytest.approx(46.0, abs=0.05)
        assert min(state.az_deg, 360 - state.az_deg) < 0.05


def test_stopped_slew_stands_between_start_and_goal():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -60), dec_deg=20))
        start = mount.state()
        slew = asyncio.create_task(mount.perform(Slew(ra_deg=at_hour_angle(bench, -1), dec_deg=20)))
        await bench.clock.sleep(10)
        during = mount.state()
        slew.cancel()
        await asyncio.gather(slew, return_exceptions=True)
        await mount.perform(Stop())
        return start, during, mount.state()

    start, during, end = on_bench(main)
    assert during.slewing and not during.tracking
    assert not end.slewing and not end.tracking and not end.parked
    # Ten seconds at 3 deg/s less the ramp of 2 s.
    assert end.hour_angle_deg - start.hour_angle_deg == pytest.approx(27, abs=0.5)


def test_stops_at_its_own_meridian_limit():
    async def main(bench: Bench):
        mount = await ready(bench, past_meridian_deg=5.0)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, 0), dec_deg=20, pier_side="west"))
        await bench.clock.sleep(3600)
        return mount.state()

    state = on_bench(main)
    assert not state.tracking
    assert "meridian" in state.fault


def test_periodic_error_has_its_amplitude_and_period():
    async def main(bench: Bench):
        mount = await ready(
            bench, worm_arcsec=8.0, worm_period_s=480.0, polar_high_arcmin=0, polar_east_arcmin=0
        )
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -30), dec_deg=0))
        ra = []
        for _ in range(96):
            await bench.clock.sleep(10)
            ra.append(true_position(bench)[0] * 3600)
        return np.array(ra)

    ra = on_bench(main)
    assert np.ptp(ra) == pytest.approx(8.0, rel=0.02)
    assert np.abs(ra[:48] - ra[48:]).max() < 0.05  # one turn later all is the same


def test_guider_takes_drift_out_and_dithers_move_the_telescope():
    async def main(bench: Bench):
        mount = await ready(bench, polar_high_arcmin=10.0)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -30), dec_deg=10))
        start = true_position(bench)
        now = bench.clock.unix_s()
        bench.publish(
            "guider", **GuiderTruth(utc_s=now, guiding=True, since_utc_s=now).model_dump()
        )
        await bench.clock.sleep(1800)
        guided = true_position(bench)
        bench.publish(
            "guider",
            **GuiderTruth(
                utc_s=now, guiding=True, since_utc_s=now, east_arcsec=3.0, north_arcsec=-4.0
            ).model_dump(),
        )
        dithered = true_position(bench)
        bench.publish("guider", **GuiderTruth(utc_s=now, guiding=False).model_dump())
        await bench.clock.sleep(600)
        return start, guided, dithered, true_position(bench)

    start, guided, dithered, loose = on_bench(main)
    assert separation_arcsec(start, guided) < 1e-3
    assert separation_arcsec(guided, dithered) == pytest.approx(5.0, abs=1e-3)
    assert separation_arcsec(dithered, loose) > 5.0


def test_pulses_move_at_the_guide_rate_and_lose_the_backlash():
    async def main(bench: Bench):
        mount = await ready(
            bench, dec_backlash_arcsec=4.0, worm_arcsec=0, polar_high_arcmin=0, polar_east_arcmin=0
        )
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -30), dec_deg=60))
        moves = []
        for direction in ("west", "south", "north", "north"):
            before = true_position(bench)
            await mount.perform(Pulse(direction=direction, duration_ms=1000))
            after = true_position(bench)
            moves.append(((after[0] - before[0]) * 3600 * 0.5, (after[1] - before[1]) * 3600))
        return moves

    west, south, north, again = on_bench(main)
    rate = 15.04107 * 0.5  # arcsec/s, sidereal rate of the mean solar day
    assert west[0] == pytest.approx(-rate * 0.5, abs=0.01)  # cos 60 on the sky
    assert south[1] == pytest.approx(-rate, abs=0.01)
    assert north[1] == pytest.approx(rate - 4.0, abs=0.01)
    assert again[1] == pytest.approx(rate, abs=0.01)


def test_untracked_telescope_runs_east_among_the_stars():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -30), dec_deg=20))
        await mount.perform(Track(on=False))
        start = mount.state()
        await bench.clock.sleep(600)
        return start, mount.state()

    start, end = on_bench(main)
    assert wrapped_deg(end.ra_deg - start.ra_deg) == pytest.approx(600 * 15.04107 / 3600, abs=1e-3)
    assert end.alt_deg == pytest.approx(start.alt_deg, abs=0.01)


def test_unknown_option_is_refused_with_the_known_ones():
    async def main(bench: Bench):
        with pytest.raises(DeviceError, match="slew_rate_deg_s") as caught:
            make(bench.context("mount", slew_rate=3))
        return str(caught.value)

    assert "slew_rate: " in on_bench(main)


@pytest.mark.parametrize("hemisphere", [1.0, -1.0])
@pytest.mark.parametrize("side", ["east", "west"])
def test_axes_and_back(hemisphere, side):
    for ha in (-170.0, -90.0, -1.0, 0.0, 45.0, 180.0):
        for dec in (-60.0, 0.0, 75.0):
            axes = axes_of(ha, dec, side, hemisphere)
            assert axes.side == side
            assert direction_of(axes, hemisphere) == pytest.approx((ha, dec))


def test_travel_ends_where_it_should_without_passing():
    for distance in (0.0, 0.001, 2.0, -170.0):
        travel = Travel(distance, 3.0, 1.5)
        times = np.linspace(0, travel.duration_s, 50)
        ways = np.array([travel.gone_deg(t) for t in times])
        assert ways[-1] == pytest.approx(distance)
        assert np.all(np.diff(np.abs(ways)) >= -1e-12)
        if distance:
            assert np.max(np.abs(np.diff(ways) / np.diff(times))) <= 3.0 + 1e-9


def test_shift_agrees_with_a_rotation_near_the_pole():
    ra, dec = shifted(30.0, 89.999, 0.0, 7.2)
    # 3.6 arcsec to the pole, 3.6 beyond it, on the opposite meridian.
    assert (ra, dec) == pytest.approx((210.0, 89.999))


def test_side_at_the_pole_is_west():
    assert Axes(0.0, 0.0).side == "west"


def test_park_twice_is_quick():
    async def main(bench: Bench):
        mount = await connected(make(bench.context("mount")))
        began = bench.clock.mono()
        await mount.perform(Park())
        return bench.clock.mono() - began

    assert on_bench(main) == 0.0
