import asyncio
import math

import pytest

from midwatch.devices.contract import DeviceError, MakeSafe
from midwatch.devices.contract.kinds import Dither, Settle, StartGuiding, StopGuiding
from midwatch_simulators.base import MountTruth, RoofTruth
from midwatch_simulators.instruments.simulated_guider import make
from midwatch_simulators.sky import Air, Spell
from support.simulators_bench import Bench, connected, on_bench

SETTLE = Settle(under_arcsec=1.5, hold_s=10, timeout_s=90)


def mount(bench: Bench, **changes: object) -> None:
    facts = {"utc_s": bench.clock.unix_s(), "ra_deg": 10, "dec_deg": 20, "hour_angle_deg": -10}
    truth = MountTruth(**{**facts, "tracking": True, "worm_arcsec": 8, **changes})
    bench.publish("mount", **truth.model_dump())


async def guiding(bench: Bench, **options: object):
    device = await connected(make(bench.context("guider", **options)))
    mount(bench)
    await device.perform(StartGuiding(settle=SETTLE))
    return device


def test_first_start_acquires_calibrates_and_settles_second_is_quicker():
    async def main(bench: Bench):
        began = bench.clock.mono()
        device = await guiding(bench)
        first_s = bench.clock.mono() - began
        state, truth = device.state(), dict(bench.truths["guider"])
        await device.perform(StopGuiding())
        stopped = device.state(), dict(bench.truths["guider"])
        began = bench.clock.mono()
        await device.perform(StartGuiding(settle=SETTLE))
        return first_s, state, truth, stopped, bench.clock.mono() - began

    first_s, state, truth, (stopped, loose), second_s = on_bench(main)
    assert 60 < first_s < 90
    assert second_s == pytest.approx(first_s - 45, abs=8)
    assert state.phase == "guiding" and state.calibrated and truth["guiding"]
    assert 0.2 < state.rms_ra_arcsec < 1.0 and 0.2 < state.rms_dec_arcsec < 1.0
    assert stopped.phase == "idle" and not loose["guiding"] and stopped.rms_ra_arcsec is None


def test_dither_shifts_the_target_and_takes_time_to_settle():
    async def main(bench: Bench):
        device = await guiding(bench)
        began = bench.clock.mono()
        await device.perform(Dither(east_arcsec=6, north_arcsec=-8, settle=SETTLE))
        truth = bench.truths["guider"]
        return bench.clock.mono() - began, (truth["east_arcsec"], truth["north_arcsec"])

    took_s, shift = on_bench(main)
    assert shift == (6.0, -8.0)
    assert 12 < took_s < 40


def test_settling_fails_in_time_where_the_air_does_not_allow_it():
    async def main(bench: Bench):
        device = await connected(make(bench.context("guider", seeing_arcsec=15)))
        mount(bench)
        with pytest.raises(DeviceError, match="did not stay under") as caught:
            await device.perform(StartGuiding(settle=SETTLE))
        return caught.value.retryable, device.state().phase, bench.clock.mono()

    retryable, phase, at_s = on_bench(main)
    assert retryable and phase == "idle"
    assert at_s == pytest.approx(0.3 + 6 + 45 + 90)


@pytest.mark.parametrize("cause", ["mount", "roof", "cloud"])
def test_star_is_lost(cause):
    async def main(bench: Bench):
        device = await guiding(bench)
        if cause == "mount":
            mount(bench, tracking=False, slewing=True)
        elif cause == "roof":
            bench.publish("roof", **RoofTruth(utc_s=0, open_fraction=0.2).model_dump())
        else:
            now = bench.clock.unix_s()
            spell = Spell(clock="utc", start=now, end=now + 9000, value=95)
            bench.publish("weather", **Air(clouds=(spell,)).model_dump())
            await bench.clock.sleep(400)
        lost = device.state(), dict(bench.truths["guider"])
        with pytest.raises(DeviceError, match="dithers only while"):
            await device.perform(Dither(east_arcsec=1, north_arcsec=1, settle=SETTLE))
        with pytest.raises(DeviceError, match="cannot guide"):
            await device.perform(StartGuiding(settle=SETTLE))
        await device.perform(MakeSafe(reason="test"))
        return lost, device.state()

    (lost, truth), end = on_bench(main)
    assert lost.phase == "lost" and lost.fault and not truth["guiding"]
    assert end.phase == "idle" and end.at_rest


def test_loss_while_settling_is_an_error():
    async def main(bench: Bench):
        device = await guiding(bench)
        dither = asyncio.create_task(
            device.perform(Dither(east_arcsec=9, north_arcsec=0, settle=SETTLE))
        )
        await bench.clock.sleep(5)
        mount(bench, tracking=False)
        with pytest.raises(DeviceError, match="lost the guide star"):
            await dither
        return device.state().phase

    assert on_bench(main) == "lost"


def test_cancelled_start_is_idle_again():
    async def main(bench: Bench):
        device = await connected(make(bench.context("guider")))
        mount(bench)
        start = asyncio.create_task(device.perform(StartGuiding(settle=SETTLE)))
        await bench.clock.sleep(20)
        during = device.state().phase
        start.cancel()
        await asyncio.gather(start, return_exceptions=True)
        return during, device.state()

    during, end = on_bench(main)
    assert during == "calibrating"
    assert end.phase == "idle" and not end.calibrated


def test_wind_and_worm_worsen_the_residual():
    async def main(bench: Bench, wind_ms: float, worm_arcsec: float):
        device = await connected(make(bench.context("guider")))
        bench.publish("weather", **Air(wind_ms=wind_ms).model_dump())
        mount(bench, worm_arcsec=worm_arcsec)
        truth = device.truth()
        return truth.rms_ra_arcsec, truth.rms_dec_arcsec

    calm = on_bench(lambda bench: main(bench, 1, 0))
    windy = on_bench(lambda bench: main(bench, 12, 0))
    worm = on_bench(lambda bench: main(bench, 1, 30))
    assert windy[0] > calm[0] + 0.3 and windy[1] > calm[1] + 0.3
    # 30 arcsec in 480 s: rms slope 0.139 arcsec/s over 2 s at gain 0.7 (sine, closed form).
    assert math.sqrt(worm[0] ** 2 - calm[0] ** 2) == pytest.approx(0.139 * 2 / 0.7, rel=0.01)
    assert worm[1] == calm[1]


def test_reports_no_more_often_than_every_ten_seconds():
    async def main(bench: Bench):
        device = await guiding(bench)
        before = bench.changes["guider"]
        await bench.clock.sleep(3600)
        return bench.changes["guider"] - before, device.state().phase

    changes, phase = on_bench(main)
    assert changes <= 361 and phase == "guiding"
