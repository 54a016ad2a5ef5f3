import asyncio
import math

import numpy as np
import pytest

from midwatch.devices.contract import DeviceError, Disconnect, MakeSafe
from midwatch.devices.contract.kinds import Acknowledge, Cool, ListWaiting, Warm
from midwatch_simulators.base import MountTruth, PanelTruth, RoofTruth, WheelTruth
from midwatch_simulators.instruments.simulated_camera import make
from midwatch_simulators.sky import Air, Spell
from midwatch_simulators.sky.view import orientation
from support.simulators_bench import SMALL, Bench, connected, on_bench, one, point, shot

# Course of an exposure ------------------------------------------------------------------------


def test_exposure_goes_through_its_phases_and_waits_in_the_spool():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", readout_s=2.0, **SMALL)))
        began = bench.clock.now()
        task = asyncio.create_task(shot(camera, exposure_s=30.0, exposure_id="first"))
        await bench.clock.sleep(15)
        exposing = camera.state()
        with pytest.raises(DeviceError, match="exposing") as busy:
            await shot(camera)
        await bench.clock.sleep(16)
        reading = camera.state().phase
        ref = await task
        waiting = await camera.perform(ListWaiting())
        state = camera.state()
        await camera.perform(Acknowledge(sha256=ref.sha256))
        return began, exposing, busy.value, reading, ref, waiting, state, camera.state()

    began, exposing, busy, reading, ref, waiting, state, after = on_bench(main)
    assert exposing.phase == "exposing" and exposing.exposure_id == "first"
    assert exposing.exposing_since == began and not exposing.at_rest
    assert busy.retryable
    assert reading == "reading"
    assert (ref.exposure_id, ref.exposure_s, ref.began_at) == ("first", 30.0, began)
    assert (ref.width_px, ref.height_px) == (480, 400)
    assert waiting.frames == (ref,) and state.waiting == (ref.sha256,)
    assert after.waiting == () and after.phase == "idle"


def test_cancelled_exposure_leaves_nothing():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", **SMALL)))
        task = asyncio.create_task(shot(camera))
        await bench.clock.sleep(10)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return camera.state()

    state = on_bench(main)
    assert state.phase == "idle" and state.waiting == () and state.exposure_id is None


def test_same_seed_same_bits_and_another_seed_another_noise():
    assert one(seed=3)[1].sha256 == one(seed=3)[1].sha256
    assert one(seed=3)[1].sha256 != one(seed=4)[1].sha256
    fast = {"sky_mode": "fast"}
    assert one(seed=3, options=fast)[1] == one(seed=3, options=fast)[1]


def test_reading_the_state_changes_no_frame():
    async def main(bench: Bench, reads: int):
        camera = await connected(make(bench.context("camera", **SMALL)))
        point(bench)
        await camera.perform(Cool(setpoint_c=-10, rate_c_per_min=3))
        for _ in range(40):
            await bench.clock.sleep(7.3)
            for _ in range(reads):
                camera.state()
        return await shot(camera)

    assert on_bench(lambda bench: main(bench, 0)) == on_bench(lambda bench: main(bench, 3))


# What it sees -----------------------------------------------------------------------------------


def test_kinds_of_frame_see_what_they_should():
    def closed(bench: Bench) -> None:
        bench.publish("roof", **RoofTruth(utc_s=0, open_fraction=0.0).model_dump())

    def panel(bench: Bench) -> None:
        truth = PanelTruth(utc_s=0, brightness_percent=20, covers=True)
        bench.publish("flat_panel", **truth.model_dump())

    light, dark, bias = one()[0], one(frame="dark")[0], one(frame="bias", exposure_s=0)[0]
    under_roof, flat = one(prepare=closed)[0], one(prepare=panel, frame="flat", exposure_s=2.0)[0]
    # 100 + 10 a unit of offset; 0.5 e- read noise over 0.8 e-/ADU and rounding.
    assert np.median(bias) == pytest.approx(600, abs=1)
    assert np.std(bias) == pytest.approx(math.hypot(1.8 / 0.8, 12**-0.5), rel=0.03)
    assert np.median(light) > np.median(dark) + 50
    assert np.median(under_roof) == np.median(dark)
    assert np.median(dark) - np.median(bias) < 5
    # 40,000 e-/s at full light: a fifth of it in 2 s, over 0.8 e-/ADU, less the corners.
    assert np.median(flat) == pytest.approx(600 + 16_000 / 0.8 * 0.95, rel=0.05)


def test_hot_pixels_stay_where_they_are_and_grow_with_time():
    def hot(seed: int, exposure_s: float) -> tuple[set[int], float]:
        pixels, _ = one(
            seed=seed, frame="dark", exposure_s=exposure_s, options={"hot_share": 0.001}
        )
        flat = pixels.ravel().astype(float) - 600
        return set(np.flatnonzero(flat > 30)), float(flat.max())

    short, short_max = hot(1, 120.0)
    long, long_max = hot(1, 480.0)
    assert len(short) > 10 and short <= long
    assert long_max > 2 * short_max
    assert len(hot(2, 120.0)[0] & short) < 3


def test_filter_takes_its_share_of_sky_and_stars():
    def wheel(transmission: float):
        def prepare(bench: Bench) -> None:
            truth = WheelTruth(utc_s=0, name="R", transmission=transmission, focus_um=0)
            bench.publish("filter_wheel", **truth.model_dump())

        return prepare

    clear, red = (one(prepare=wheel(t))[0].astype(float) - 600 for t in (1.0, 0.3))
    assert np.median(red) / np.median(clear) == pytest.approx(0.3, rel=0.05)


def test_clouds_dim_the_stars_and_brighten_the_sky():
    def clouds(bench: Bench) -> None:
        now = bench.clock.unix_s()
        spell = Spell(clock="utc", start=now - 3600, end=now + 3600, value=60)
        bench.publish("weather", **Air(clouds=(spell,)).model_dump())

    clear, cloudy = (
        one(options={"sky_mode": "fast"}, prepare=prepare)[1].facts for prepare in (None, clouds)
    )
    assert cloudy.background_adu - 600 > 1.3 * (clear.background_adu - 600)
    assert cloudy.stars < 0.4 * clear.stars


def test_no_star_is_seen_while_the_mount_slews():
    facts = one(
        options={"sky_mode": "fast"},
        prepare=lambda bench: point(bench, slewing=True, tracking=False, guided=False),
    )[1].facts
    assert facts.stars == 0 and facts.hfr_px is None and facts.ra_deg is None


def test_a_mount_that_turns_the_camera_turns_the_field():
    rotations = [
        one(options={"sky_mode": "fast"}, prepare=lambda b, deg=deg: point(b, camera_turn_deg=deg))[
            1
        ].facts.rotation_deg
        for deg in (0.0, 180.0)
    ]
    assert (rotations[1] - rotations[0]) % 360 == pytest.approx(180.0, abs=0.02)


def test_frame_centre_is_the_mean_of_a_drifting_path():
    def drift(bench: Bench) -> None:
        point(bench, guided=False, axis_error_y_deg=1.0)

    async def truth(bench: Bench):
        point(bench, guided=False, axis_error_y_deg=1.0)
        mount = MountTruth.model_validate(bench.truths["mount"])
        return mount.pointing(bench.clock.unix_s() + 0.3 + 60.0)

    facts = one(options={"sky_mode": "fast"}, prepare=drift, exposure_s=120.0)[1].facts
    middle = on_bench(truth)
    assert facts.dec_deg == pytest.approx(middle[1], abs=0.3 / 3600)
    assert facts.ra_deg == pytest.approx(middle[0], abs=0.5 / 3600)
    assert facts.elongation > 1.5


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_mosaic_has_its_colours_where_the_pattern_says(pattern):
    def panel(bench: Bench) -> None:
        truth = PanelTruth(utc_s=0, brightness_percent=50, covers=True)
        bench.publish("flat_panel", **truth.model_dump())

    pixels, ref = one(options={"bayer": pattern}, prepare=panel, frame="flat", exposure_s=2.0)
    assert ref.bayer == pattern
    levels = {
        (row, column): float(np.median(pixels[row::2, column::2]))
        for row in (0, 1)
        for column in (0, 1)
    }
    colours = dict(zip(((0, 0), (0, 1), (1, 0), (1, 1)), pattern, strict=True))
    greens = [level for place, level in levels.items() if colours[place] == "G"]
    others = [level for place, level in levels.items() if colours[place] != "G"]
    assert greens[0] == pytest.approx(greens[1], rel=0.005)
    assert min(greens) > 1.2 * max(others)


def test_binning_adds_charge_and_keeps_the_scale_in_full_pixels():
    full, _ = one(options={"sky_mode": "fast"})[1].facts, None
    pixels, ref = one(binning=2)
    assert pixels.shape == (200, 240) and (ref.width_px, ref.binning) == (240, 2)
    fast = one(options={"sky_mode": "fast"}, binning=2)[1].facts
    assert np.median(pixels) == pytest.approx(fast.background_adu, rel=0.02)
    assert fast.scale_arcsec == pytest.approx(full.scale_arcsec, rel=1e-3)
    assert fast.background_adu - 2400 == pytest.approx(4 * (full.background_adu - 600), rel=0.02)


def test_full_well_is_the_end():
    pixels, ref = one(exposure_s=600.0, options={"full_well_e": 3000.0, "sky_mag": 16.0})
    assert ref.saturation_adu == 600 + 3750
    assert np.median(pixels) == ref.saturation_adu and pixels.max() == ref.saturation_adu


def test_noise_of_flats_gives_the_conversion():
    # Photon transfer: the variance of the difference of two flats, halved and less the read
    # noise, over their level is ADU an electron (Janesick 2001; common practice). 60 tenths of a
    # decibel are a factor of 10^(60/200).
    def panel(bench: Bench) -> None:
        truth = PanelTruth(utc_s=0, brightness_percent=20, covers=True)
        bench.publish("flat_panel", **truth.model_dump())

    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", **SMALL)))
        panel(bench)
        refs = [
            await shot(camera, frame=frame, exposure_s=exposure_s, gain=60)
            for frame, exposure_s in (("flat", 1.0), ("flat", 1.0), ("bias", 0.0), ("bias", 0.0))
        ]
        frames = [bench.spools["camera"].frames[ref.sha256][0].astype(float) for ref in refs]
        return refs[0].electrons_per_adu, frames

    seen, (flat, flat2, bias, bias2) = on_bench(main)
    variance = (np.var(flat - flat2) - np.var(bias - bias2)) / 2
    level = (flat + flat2 - bias - bias2).mean() / 2
    assert seen == pytest.approx(0.8 * 10**-0.3, rel=1e-9)
    assert level / variance == pytest.approx(seen, rel=0.02)


def test_dark_frames_double_with_the_warmth_of_the_sensor():
    # 6.3 C of doubling: from -10 to 0 C times 2^(10/6.3) = 3.005 (arithmetic).
    async def main(bench: Bench):
        camera = await connected(
            make(bench.context("camera", dark_electrons_s=2.0, hot_share=0.0, **SMALL))
        )
        levels = []
        for setpoint_c in (0.0, -10.0):
            await camera.perform(Cool(setpoint_c=setpoint_c, rate_c_per_min=10))
            await bench.clock.sleep(1800)
            ref = await shot(camera, frame="dark", exposure_s=300.0)
            levels.append(bench.spools["camera"].frames[ref.sha256][0].mean() - 600)
        return levels

    warm, cold = on_bench(main)
    assert warm == pytest.approx(2.0 * 300 / 0.8, rel=0.01)
    assert warm / cold == pytest.approx(3.005, rel=0.01)


def test_frames_wait_in_the_spool_also_while_the_cable_is_out():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", **SMALL)))
        ref = await shot(camera)
        await camera.perform(Disconnect())
        waiting = await camera.perform(ListWaiting())
        await camera.perform(Acknowledge(sha256=ref.sha256))
        with pytest.raises(DeviceError, match="not connected"):
            await shot(camera)
        return ref, waiting.frames, camera.state()

    ref, waiting, state = on_bench(main)
    assert waiting == (ref,) and state.waiting == () and not state.connected


def test_wrong_option_is_refused_in_words():
    async def main(bench: Bench):
        with pytest.raises(DeviceError, match=r"sky_mode.*'pixels' or 'fast'"):
            make(bench.context("camera", sky_mode="slow"))

    on_bench(main)


# Cooler -----------------------------------------------------------------------------------------


def test_cooler_ramps_holds_and_warms():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", **SMALL)))
        bench.publish("weather", **Air(evening_c=8, night_fall_c=0).model_dump())
        await camera.perform(Cool(setpoint_c=-10, rate_c_per_min=3))
        curve = []
        for _ in range(80):
            await bench.clock.sleep(15)
            curve.append(camera.state())
        await camera.perform(MakeSafe(reason="dawn"))
        warming = []
        for _ in range(80):
            await bench.clock.sleep(15)
            warming.append(camera.state())
        return curve, warming

    curve, warming = on_bench(main)
    down = np.array([state.sensor_c for state in curve])
    up = np.array([state.sensor_c for state in warming])
    # 3 C a minute is 0.75 a reading; the thermometer's noise is 0.04.
    assert np.diff(down).min() > -0.75 - 0.25 and np.diff(up).max() < 0.75 + 0.25
    assert np.abs(down[-20:] + 10).max() < 0.3
    # From 2.5 C above the air, by its own electronics.
    assert np.argmax(down < -9.5) / 4 == pytest.approx(20.0 / 3, abs=0.5)  # minutes
    assert curve[-1].cooler_on and 25 < curve[-1].cooler_percent < 45 and not curve[-1].at_rest
    assert not warming[-1].cooler_on and warming[-1].at_rest and warming[-1].setpoint_c is None
    # Its own electronics warm it: 2.5 C above the air.
    assert up[-1] == pytest.approx(10.5, abs=1)


def test_cooler_has_no_more_power_than_it_has():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", cooling_c=20.0, **SMALL)))
        bench.publish("weather", **Air(evening_c=8, night_fall_c=0).model_dump())
        await camera.perform(Cool(setpoint_c=-30, rate_c_per_min=5))
        await bench.clock.sleep(3600)
        cold = camera.state()
        await camera.perform(Warm(rate_c_per_min=5))
        await bench.clock.sleep(3600)
        return cold, camera.state()

    cold, warm = on_bench(main)
    assert cold.cooler_percent == 100.0
    assert cold.sensor_c == pytest.approx(8 - 20, abs=0.8)
    assert not warm.cooler_on and warm.cooler_percent == 0.0


def test_a_refractor_shows_the_sky_as_the_eye_sees_it_with_its_first_row_at_the_bottom():
    async def main(bench: Bench):
        return await shot(await connected(make(bench.context("camera", **SMALL))))

    ref = on_bench(main)
    # East is to the left of north where y counts upwards: the first row is the lowest.
    (west_x, _), (_, north_y) = orientation(0.0, mirrored=False)
    assert west_x < 0.0 < north_y
    assert ref.first_row == "bottom"
    assert ref.read_noise_e == pytest.approx(1.8)


def test_settings_beyond_what_the_camera_has_are_refused():
    async def main(bench: Bench):
        camera = await connected(make(bench.context("camera", max_gain=300, **SMALL)))
        with pytest.raises(DeviceError, match="no gain above 300"):
            await shot(camera, gain=301)
        return camera.about().limits["max_gain"], (await shot(camera, gain=300)).gain

    assert on_bench(main) == (300, 300)
