import asyncio
import itertools
import math

import pytest

from midwatch.devices.contract import DeviceError, MakeSafe
from midwatch.devices.contract.kinds import (
    CloseRoof,
    Cover,
    CycleOutlet,
    Light,
    Move,
    OpenRoof,
    SelectFilter,
    SetOutlet,
    Slew,
)
from midwatch_simulators.base import FocuserTruth, MountTruth
from midwatch_simulators.instruments import (
    simulated_filter_wheel as filter_wheel,
)
from midwatch_simulators.instruments import (
    simulated_flat_panel as flat_panel,
)
from midwatch_simulators.instruments import (
    simulated_focuser as focuser,
)
from midwatch_simulators.instruments import (
    simulated_roof as roof,
)
from midwatch_simulators.instruments import (
    simulated_switch as switch,
)
from midwatch_simulators.instruments import (
    simulated_weather as weather,
)
from midwatch_simulators.sky import Air, Spell, Wave, cloud_extinction_mag
from support.simulators_bench import Bench, connected, on_bench


def mount_truth(*, parked: bool) -> dict[str, object]:
    return MountTruth(utc_s=0, ra_deg=0, dec_deg=0, hour_angle_deg=0, parked=parked).model_dump()


# Focuser -------------------------------------------------------------------------------------


def test_focuser_takes_its_time_and_tells_the_way():
    async def main(bench: Bench):
        device = await connected(
            focuser.make(bench.context("focuser", start_position=1000, speed_steps_s=100))
        )
        move = asyncio.create_task(device.perform(Move(position=2000)))
        await bench.clock.sleep(4)
        during = device.state()
        await move
        return during, device.state(), bench.clock.mono()

    during, after, at_s = on_bench(main)
    assert (during.position, during.moving, during.at_rest) == (1400, True, False)
    assert (after.position, after.moving) == (2000, False)
    assert at_s == pytest.approx(0.3 + 10.0)


def test_focuser_backlash_shifts_only_downward_approaches():
    async def main(bench: Bench):
        device = await connected(
            focuser.make(bench.context("focuser", start_position=1000, backlash_steps=60))
        )
        tubes = []
        for position in (1200, 1190, 1100, 1120, 1200):
            await device.perform(Move(position=position))
            tubes.append(FocuserTruth.model_validate(bench.truths["focuser"]).tube)
        return tubes

    # Up exactly; down the play of 60 first; up again the tube waits for the motor.
    assert on_bench(main) == [1200, 1200, 1160, 1160, 1200]


def test_cancelled_move_stops_on_the_way_and_knows_where():
    async def main(bench: Bench):
        device = await connected(
            focuser.make(bench.context("focuser", start_position=1000, speed_steps_s=100))
        )
        move = asyncio.create_task(device.perform(Move(position=2000)))
        await bench.clock.sleep(4)
        move.cancel()
        await asyncio.gather(move, return_exceptions=True)
        await bench.clock.sleep(10)
        return device.state()

    state = on_bench(main)
    assert (state.position, state.moving) == (1400, False)


def test_focuser_refuses_beyond_its_travel():
    async def main(bench: Bench):
        device = await connected(focuser.make(bench.context("focuser", max_position=5000)))
        with pytest.raises(DeviceError, match="5000"):
            await device.perform(Move(position=5001))

    on_bench(main)


def test_best_focus_follows_the_temperatures_of_lens_and_tube():
    truth = FocuserTruth(
        utc_s=0, tube=15_000, best_tube=15_000, slope_steps_per_c=25, reference_c=5,
        tube_share=0.2, lens_lag_s=3600, tube_lag_s=900, um_per_step=2.0,
    )  # fmt: skip
    assert truth.defocus_um(5.0, 5.0) == 0.0
    assert truth.defocus_um(3.0, 3.0) == pytest.approx(2 * 25 * 2.0)
    # A fifth of the slope is the tube's.
    assert truth.defocus_um(5.0, 3.0) == pytest.approx(2 * 25 * 2.0 / 5.0)


def test_a_body_follows_the_air_with_its_time_constant():
    # A first-order lag integrated here in steps of ten seconds, from a whole day before.
    air = Air(seed=3, night_fall_c=12.0)
    end_s = 1.8e9
    tube, step_s, lag_s = air.air_c(end_s - 86400), 10.0, 1800.0
    for i in range(8640):
        tube += (air.air_c(end_s - 86400 + (i + 0.5) * step_s) - tube) * step_s / lag_s
    assert air.body_c(end_s, lag_s) == pytest.approx(tube, abs=0.08)


def test_a_lens_follows_waves_of_the_air_late_and_less():
    # The same integration as above, of a lag of an hour under waves of 90 minutes.
    air = Air(seed=3, night_fall_c=8.0, waves=(Wave(swing_c=1.5, period_s=5400.0, phase=0.3),))
    step_s, lag_s, lens, worst, calm = 20.0, 3600.0, 6.0, 0.0, 0.0
    for i in range(8640):
        at_s = 1.8e9 + i * step_s
        lens += (air.air_c(at_s + 0.5 * step_s) - lens) * step_s / lag_s
        if i > 4320:
            worst = max(worst, abs(air.body_c(at_s + step_s, lag_s) - lens))
            calm = max(calm, abs(air.air_c(at_s + step_s) - lens))
    # The quadrature is off by a little where the slope of the air breaks, at dusk and dawn.
    assert worst < 0.3
    assert calm > 1.5


def test_probe_lens_and_tube_have_lags_of_their_own():
    async def main(bench: Bench):
        air = Air(waves=(Wave(swing_c=5.0, period_s=3600.0),))
        options = {"probe_lag_min": 3, "lens_lag_min": 60, "tube_lag_min": 10, "probe_noise_c": 0}
        device = await connected(focuser.make(bench.context("focuser", **options)))
        bench.publish("weather", **air.model_dump())
        truth = FocuserTruth.model_validate(bench.truths["focuser"])
        assert (truth.lens_lag_s, truth.tube_lag_s) == (3600.0, 600.0)
        seen = device.state().temperature_c
        at_s = bench.clock.unix_s() // 10 * 10
        assert seen == pytest.approx(air.body_c(at_s, 180.0), abs=0.01)
        assert abs(seen - air.body_c(at_s, 3600.0)) > 0.5

    on_bench(main)


def test_probe_reads_the_same_however_often_it_is_read():
    async def readings(bench: Bench, times: int):
        device = await connected(focuser.make(bench.context("focuser")))
        values = []
        for _ in range(20):
            await bench.clock.sleep(30)
            values.append([device.state().temperature_c for _ in range(times)][-1])
        return values

    once = on_bench(lambda bench: readings(bench, 1))
    often = on_bench(lambda bench: readings(bench, 7))
    assert once == often
    assert len(set(once)) > 3


# Weather -------------------------------------------------------------------------------------


def test_air_cools_through_the_night_by_what_was_asked():
    air = Air(evening_c=10.0, night_fall_c=8.0, longitude_deg=0.0)
    noon_s = 20_000 * 86400 + 43200.0  # mean noon at Greenwich
    evening, dawn = air.air_c(noon_s + 5 * 3600), air.air_c(noon_s + 18 * 3600)
    assert evening == pytest.approx(10.0, abs=0.6)
    assert evening - dawn == pytest.approx(8.0, abs=0.8)
    # Continuous over the jump of the day: a minute changes what wandering may, not degrees.
    steps = [
        abs(air.air_c(noon_s + h * 60.0) - air.air_c(noon_s + (h + 1) * 60.0)) for h in range(1440)
    ]
    assert max(steps) < 0.25


def test_dew_point_is_that_of_the_reading():
    # Alduchov and Eskridge 1996: 10 C at 80 percent gives 6.708 C (closed form).
    async def main(bench: Bench):
        device = await connected(weather.make(bench.context("weather", humidity_percent=70)))
        return device.state()

    state = on_bench(main)
    gamma = math.log(state.humidity_percent / 100) + 17.625 * state.air_c / (243.04 + state.air_c)
    assert state.dew_point_c == pytest.approx(243.04 * gamma / (17.625 - gamma), abs=0.3)


def test_cloud_bands_by_hour_and_by_instant():
    async def main(bench: Bench):
        # Evening starts at 20:00 UTC; local mean noon at longitude 8 is 11:28 UTC: 8.53 h after.
        device = await connected(
            weather.make(
                bench.context(
                    "weather",
                    cloud_percent=0,
                    clouds=[
                        {"from": 9.0, "to": 10.0, "percent": 80},
                        {"from": "2027-03-10T23:00:00Z", "to": "2027-03-11T00:00:00Z",
                         "percent": 40},
                    ],
                )
            )
        )  # fmt: skip
        cloud = {}
        for minute in range(300):
            cloud[minute] = device.state().cloud_percent
            await bench.clock.sleep(60)
        return cloud

    cloud = on_bench(main)
    assert cloud[10] < 6 and cloud[120] < 6
    assert cloud[60] == pytest.approx(80, abs=5)
    assert cloud[210] == pytest.approx(40, abs=5)


def test_readings_come_once_a_minute_with_their_time():
    async def main(bench: Bench):
        device = await connected(weather.make(bench.context("weather")))
        before = bench.changes["weather"]
        await bench.clock.sleep(600.5)
        age_s = (bench.clock.now() - device.state().read_at).total_seconds()
        return bench.changes["weather"] - before, age_s

    changes, age_s = on_bench(main)
    assert changes == 10
    assert 0 <= age_s < 60


@pytest.mark.parametrize(
    "band",
    [
        {"from": 10.0, "to": 9.0, "percent": 50},
        {"from": 10.0, "to": "2027-03-11T00:00:00Z", "percent": 50},
        {"from": 9.0, "to": 10.0, "percent": 150},
    ],
)
def test_wrong_cloud_bands_are_refused(band):
    async def main(bench: Bench):
        with pytest.raises(DeviceError, match="clouds"):
            weather.make(bench.context("weather", clouds=[band]))

    on_bench(main)


def test_rain_is_read_while_it_rains():
    air = Air(rains=(Spell(clock="utc", start=1000.0, end=5000.0, value=1.0),))
    assert air.raining(3000.0) and not air.raining(9000.0) and not air.raining(0.0)


def test_cloud_takes_light_from_the_stars_without_ever_giving_any():
    losses = [cloud_extinction_mag(percent) for percent in range(0, 101, 5)]
    assert losses[0] == 0.0
    assert losses == sorted(losses)


# Roof ----------------------------------------------------------------------------------------


def test_roof_takes_its_time_and_does_not_close_over_an_unparked_mount():
    async def main(bench: Bench):
        device = await connected(roof.make(bench.context("roof")))
        began = bench.clock.mono()
        await device.perform(OpenRoof())
        opened_s = bench.clock.mono() - began
        bench.publish("mount", **mount_truth(parked=False))
        with pytest.raises(DeviceError, match="park") as refusal:
            await device.perform(CloseRoof())
        with pytest.raises(DeviceError, match="park"):
            await device.perform(MakeSafe(reason="rain"))
        still = device.state().position
        bench.publish("mount", **mount_truth(parked=True))
        await device.perform(CloseRoof())
        return opened_s, refusal.value.retryable, still, device.state()

    opened_s, retryable, still, end = on_bench(main)
    assert opened_s == pytest.approx(25.0)
    assert retryable
    assert still == "open"
    assert end.position == "closed" and end.at_rest


def test_roof_that_is_interrupted_stands_between():
    async def main(bench: Bench):
        device = await connected(roof.make(bench.context("roof")))
        opening = asyncio.create_task(device.perform(OpenRoof()))
        await bench.clock.sleep(10)
        during = device.state().position
        opening.cancel()
        await asyncio.gather(opening, return_exceptions=True)
        between = device.state()
        began = bench.clock.mono()
        await device.perform(CloseRoof())
        return during, between, bench.clock.mono() - began

    during, between, closing_s = on_bench(main)
    assert during == "opening"
    assert between.position == "between" and not between.at_rest
    assert closing_s == pytest.approx(10.0)


# Filter wheel, panel, switch -------------------------------------------------------------------


def test_filter_wheel_turns_one_way_slot_by_slot():
    async def main(bench: Bench):
        device = await connected(
            filter_wheel.make(bench.context("wheel", filters=["L", "R", "G", "B", "Ha"]))
        )
        began = bench.clock.mono()
        await device.perform(SelectFilter(name="G"))
        there_s = bench.clock.mono() - began
        await device.perform(SelectFilter(name="R"))
        back_s = bench.clock.mono() - began - there_s
        with pytest.raises(DeviceError, match="L, R, G, B, Ha"):
            await device.perform(SelectFilter(name="OIII"))
        return there_s, back_s, device.state(), bench.truths["wheel"]

    there_s, back_s, state, truth = on_bench(main)
    assert there_s == pytest.approx(2 * 1.2)
    assert back_s == pytest.approx(4 * 1.2)
    assert state.selected == "R" and not state.moving
    assert truth["name"] == "R" and truth["transmission"] == pytest.approx(0.3)


def test_flat_panel_lights_and_covers():
    async def main(bench: Bench):
        device = await connected(flat_panel.make(bench.context("panel")))
        await device.perform(Light(brightness_percent=30))
        open_beam = dict(bench.truths["panel"])
        await device.perform(Cover(closed=True))
        covered = device.state(), dict(bench.truths["panel"])
        await device.perform(MakeSafe(reason="test"))
        return open_beam, covered, device.state()

    open_beam, (covered, truth), end = on_bench(main)
    assert not open_beam["covers"]
    assert covered.lit and covered.cover == "closed" and truth["covers"]
    assert truth["brightness_percent"] == 30
    assert not end.lit and end.at_rest and end.cover == "closed"


def test_switch_sets_and_cycles_outlets():
    async def main(bench: Bench):
        device = await connected(
            switch.make(bench.context("switch", outlets={"mount": True, "heater": False}))
        )
        await device.perform(SetOutlet(outlet="heater", on=True))
        heated = device.state()
        cycle = asyncio.create_task(device.perform(CycleOutlet(outlet="mount", off_s=5)))
        await bench.clock.sleep(2)
        off = device.state().outlets["mount"]
        await cycle
        await device.perform(MakeSafe(reason="dawn"))
        with pytest.raises(DeviceError, match="heater"):
            await device.perform(SetOutlet(outlet="camera", on=True))
        return heated, off, device.state()

    heated, off, end = on_bench(main)
    assert heated.outlets == {"mount": True, "heater": True} and not heated.at_rest
    assert not off
    assert end.outlets == {"mount": True, "heater": False} and end.at_rest


def test_nothing_moves_before_it_is_connected():
    async def main(bench: Bench):
        device = roof.make(bench.context("roof"))
        with pytest.raises(DeviceError, match="not connected"):
            await device.perform(OpenRoof())
        await connected(device)
        with pytest.raises(DeviceError, match="does not know"):
            await device.perform(Slew(ra_deg=0, dec_deg=0))
        return device.about()

    about = on_bench(main)
    assert about.driver == "simulated-roof"
    assert about.capabilities == ("close_roof", "open_roof")


def test_what_has_not_changed_is_reported_again_but_seldom():
    async def main(bench: Bench):
        story_s: list[float] = []
        listener = bench.context("camera")
        device = filter_wheel.make(bench.context("filter_wheel"))
        listener.watch("filter_wheel", "truth", lambda _: story_s.append(bench.clock.mono()))
        await connected(device)
        await bench.clock.sleep(1800.0)
        unchanged = len(story_s)
        await device.perform(SelectFilter(name="R"))
        return unchanged, story_s

    unchanged, story_s = on_bench(main)
    # At the connection, and then for whoever has missed it: within ten minutes.
    assert unchanged == 3
    assert max(later - told for told, later in itertools.pairwise(story_s)) <= 720.0
    assert len(story_s) > unchanged  # a change at once
