"""What is wrong with a simulated mount: gears, worm, wind, and what a camera sees of it."""

import asyncio
import math

import numpy as np
import pytest

from midwatch.devices.contract import DeviceError
from midwatch.devices.contract.kinds import Pulse, Slew, Track, Unpark
from midwatch_simulators.base import SIDEREAL_ARCSEC_PER_S, MountTruth
from midwatch_simulators.instruments.simulated_camera import make as make_camera
from midwatch_simulators.instruments.simulated_guide_camera import make as make_guide_camera
from midwatch_simulators.mount.gears import Gear
from midwatch_simulators.mount.simulated_mount import make as make_mount
from midwatch_simulators.sky import Air
from midwatch_simulators.sky.view import _drawn
from support.simulators_bench import FIELD, SMALL, Bench, connected, focus, on_bench, point, shot


def test_a_gear_loses_its_play_at_each_reversal_and_nothing_else():
    gear = Gear(play_arcsec=4.0)
    ways = [gear.turn(step) for step in (-2.0, 3.0, 3.0, 3.0, -1.0, -4.0)]
    assert ways == [-2.0, 0.0, 2.0, 3.0, 0.0, -1.0]


def test_a_sticking_axis_holds_after_a_reversal_then_jumps_by_all_that_was_wound_up():
    gear = Gear(play_arcsec=0.0, stick_arcsec=1.0)
    assert [gear.turn(step) for step in (-0.4, 0.4, 0.4, 0.4, 0.4)] == pytest.approx(
        [-0.4, 0.0, 0.0, 1.2, 0.4]
    )
    # Wound up one way and let back again it has gone nowhere.
    assert [gear.turn(step) for step in (-0.5, 0.5, 0.3)] == pytest.approx([0.0, 0.0, 0.3])


async def tracking(bench: Bench, **options: object):
    mount = await connected(make_mount(bench.context("mount", **options)))
    await mount.perform(Unpark())
    await mount.perform(Slew(ra_deg=FIELD[0], dec_deg=FIELD[1]))
    return mount


def moved_arcsec(before: MountTruth, after: MountTruth, at_s: float) -> tuple[float, float]:
    (ra0, dec0), (ra1, dec1) = before.pointing(at_s), after.pointing(at_s)
    return (ra1 - ra0) * 3600 * math.cos(math.radians(dec0)), (dec1 - dec0) * 3600


@pytest.mark.parametrize(
    ("direction", "sign", "axis"),
    [("east", 1, 0), ("west", -1, 0), ("north", 1, 1), ("south", -1, 1)],
)
def test_a_pulse_moves_at_the_guide_rate(direction, sign, axis):
    """Half the sidereal rate, 1296000/86164.0905 arcsec a second; RA by cos dec on the sky."""

    async def main(bench: Bench):
        mount = await tracking(bench, dec_backlash_arcsec=0.0, worm_arcsec=0.0)
        before = mount.truth()
        await mount.perform(Pulse(direction=direction, duration_ms=800))
        return moved_arcsec(before, mount.truth(), bench.clock.unix_s()), before.dec_deg

    way, dec_deg = on_bench(main)
    expected = sign * 0.8 * 0.5 * SIDEREAL_ARCSEC_PER_S
    if axis == 0:
        expected *= math.cos(math.radians(dec_deg))
    # The drift by the polar error during the pulse is part of both.
    assert way[axis] == pytest.approx(expected, abs=0.01)
    assert way[1 - axis] == pytest.approx(0.0, abs=0.01)


def test_a_mount_may_turn_north_and_south_round_on_the_other_side_of_the_pier():
    async def main(bench: Bench):
        ways = {}
        for follows in (True, False):
            for side in ("west", "east"):
                mount = await tracking(
                    bench, dec_backlash_arcsec=0.0, dec_follows_sky=follows, past_meridian_deg=90.0
                )
                await mount.perform(Slew(ra_deg=FIELD[0], dec_deg=FIELD[1], pier_side=side))
                before = mount.truth()
                await mount.perform(Pulse(direction="north", duration_ms=500))
                ways[follows, side] = moved_arcsec(before, mount.truth(), bench.clock.unix_s())[1]
        return ways

    ways = on_bench(main)
    assert ways[True, "west"] > 3 and ways[True, "east"] > 3
    assert ways[False, "west"] > 3 and ways[False, "east"] < -3


def test_a_pulse_that_is_cut_short_has_moved_by_its_share():
    async def main(bench: Bench):
        mount = await tracking(bench, dec_backlash_arcsec=0.0, worm_arcsec=0.0)
        before = mount.truth()
        with pytest.raises(TimeoutError):
            async with bench.clock.timeout(0.5):
                await mount.perform(Pulse(direction="north", duration_ms=2000))
        half = moved_arcsec(before, mount.truth(), bench.clock.unix_s())[1]
        await mount.perform(Track(on=False))
        with pytest.raises(DeviceError, match="only while it tracks"):
            await mount.perform(Pulse(direction="north", duration_ms=100))
        return half

    assert on_bench(main) == pytest.approx(0.5 * 0.5 * SIDEREAL_ARCSEC_PER_S, abs=0.02)


def test_characters_fill_in_what_is_not_set():
    async def main(bench: Bench):
        rough = (await tracking(bench, character="rough", worm_arcsec=50.0)).truth()
        smooth = (await tracking(bench, character="smooth")).truth()
        return rough, smooth

    rough, smooth = on_bench(main)
    assert rough.worm_arcsec == 50.0 and rough.worm_period_s == 430.0
    assert len(rough.worm_harmonics) == 3 and rough.wind_arcsec_per_ms > smooth.wind_arcsec_per_ms
    assert smooth.worm_arcsec < 10.0


def test_the_worm_repeats_with_its_harmonics():
    """Periodogram of the pure tone sizes that were asked for: Fourier series, arithmetic."""
    truth = MountTruth(
        utc_s=0, ra_deg=0, dec_deg=0, hour_angle_deg=0, tracking=True, worm_arcsec=20,
        worm_period_s=400, worm_harmonics=(0.5, 0.25),
    )  # fmt: skip
    east = np.array([truth.drift_arcsec(t)[0] for t in np.arange(0, 2000, 5.0)])
    sizes = 2 * np.abs(np.fft.rfft(east)) / len(east)
    assert sizes[[5, 10, 15, 20]] == pytest.approx([10.0, 5.0, 2.5, 0.0], abs=0.02)


def test_wind_shakes_only_above_the_calm_and_in_proportion():
    truth = MountTruth(
        utc_s=0, ra_deg=0, dec_deg=0, hour_angle_deg=0, tracking=True, wind_arcsec_per_ms=0.5,
        wind_seed=3,
    )  # fmt: skip
    times = np.arange(0, 3000, 3.0)
    assert truth.shake_arcsec(100.0, 3.9) == (0.0, 0.0)
    spread = [np.std([truth.shake_arcsec(t, gust) for t in times], axis=0) for gust in (6.0, 8.0)]
    assert spread[0] == pytest.approx([1.0, 1.0], rel=0.1)
    assert spread[1] == pytest.approx(2 * spread[0])


def test_a_path_is_parted_into_a_trail_and_a_wander():
    rng = np.random.default_rng(4)
    steps = (np.arange(400) + 0.5)[:, None] / 400
    noise = rng.normal(size=(400, 2)) * [0.5, 0.2]
    trail, wander = _drawn(steps * [6.0, -2.0] + noise)
    assert trail == pytest.approx([6.0, -2.0], abs=0.3)
    assert np.sqrt(np.diag(wander)) == pytest.approx([0.5, 0.2], rel=0.15)
    still, none = _drawn(np.zeros((1, 2)))
    assert not still.any() and not none.any()


def test_a_main_frame_is_blurred_by_where_the_mount_really_went():
    """Pulses to and fro during an exposure widen stars along right ascension, and only there."""

    async def main(bench: Bench):
        shapes = {}
        for name, reach in (("still", 0.0), ("pushed", 2.5)):
            options = {**SMALL, "sky_mode": "fast", "rotation_deg": 0.0}
            camera = await connected(make_camera(bench.context("camera", **options)))
            point(bench, guided=False)
            task = asyncio.create_task(shot(camera, exposure_s=60.0))
            for step in range(30):
                await bench.clock.sleep(2.0)
                east = reach / 3600 / math.cos(math.radians(FIELD[1])) * (-1) ** step
                point(bench, guided=False, ra_deg=FIELD[0] + east)
            shapes[name] = (await task).facts
        return shapes

    shapes = on_bench(main)
    assert shapes["still"].elongation < 1.1
    assert shapes["pushed"].elongation > 1.25
    assert shapes["pushed"].fwhm_px > 1.15 * shapes["still"].fwhm_px


def wanders(exposure_s: float, **options: object) -> np.ndarray:
    """Centres of guide frames of a mount that stands still, arcsec, shape (N, 2)."""

    async def main(bench: Bench):
        bench.publish("weather", **Air(seed=5).model_dump())
        settings = {"sky_mode": "fast", "seeing_arcsec": 3.0, **options}
        camera = await connected(make_guide_camera(bench.context("guide_camera", **settings)))
        point(bench)
        found = []
        for _ in range(60):
            view = camera._beam.look(
                camera._sensors[1], bench.clock.unix_s(), exposure_s, shutter=True
            )
            found.append((view.ra_deg, view.dec_deg))
            await bench.clock.sleep(exposure_s + 0.5)
        return np.array(found)

    ra, dec = on_bench(main).T
    return np.stack([(ra - FIELD[0]) * math.cos(math.radians(FIELD[1])), dec - FIELD[1]], 1) * 3600


def test_the_air_moves_stars_in_short_exposures_and_less_in_long_ones():
    """The share of the seeing is the setting's; a mean of n independent tilts falls as 1/sqrt n."""
    short, long = wanders(2.0), wanders(8.0)
    # 0.12 of 3 arcsec at the zenith; the field is at some 60 degrees, and seeing itself wanders.
    assert 0.28 < short.std() < 0.55
    assert long.std() == pytest.approx(short.std() / 2, rel=0.25)
    assert wanders(2.0, image_motion=0.0).std() < 1e-6


def test_a_guide_scope_does_not_see_the_main_focus_and_an_off_axis_camera_does():
    async def main(bench: Bench):
        widths = []
        for off_axis in (False, True):
            options = {
                "off_axis": off_axis, "sky_mode": "fast", "focal_length_mm": 400.0,
                "aperture_mm": 80.0,
            }  # fmt: skip
            camera = await connected(make_guide_camera(bench.context("guide_camera", **options)))
            point(bench)
            focus(bench, 15_120)
            widths.append((await shot(camera, frame="guide", exposure_s=4.0)).facts.hfr_px)
        return widths, camera.about()

    (scope, off_axis), about = on_bench(main)
    assert off_axis > 1.25 * scope
    assert about.limits["focal_length_mm"] == 400.0 and about.driver == "simulated-guide-camera"
