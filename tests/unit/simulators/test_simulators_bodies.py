from __future__ import annotations

import numpy as np
import pytest

from midwatch.devices.contract import DeviceError
from midwatch.devices.contract.kinds import FrameRef, Unpark
from midwatch_simulators.faults import SpoiltFrames, Troubles
from midwatch_simulators.faults.troubles import FaultSpan
from midwatch_simulators.instruments.cooler import Cooler
from midwatch_simulators.mount.gears import Gear
from midwatch_simulators.mount.simulated_mount import make as make_mount
from support.simulators_bench import EVENING, Bench, MemorySpool, connected, on_bench

T0 = EVENING.timestamp()
PIXELS = np.arange(48, dtype=np.uint16).reshape(8, 6)


def air_c(utc_s: float) -> float:
    return 8.0 - (utc_s - T0) / 3600.0


def test_a_cooler_that_was_kept_is_where_one_that_was_watched_is() -> None:
    watched, first = (Cooler(1, T0, air_c, 35.0) for _ in range(2))
    for cooler in (watched, first):
        cooler.cool(T0 + 10.0, -12.0, 3.0)
    kept = first.save(T0 + 100.0)
    later = Cooler(1, T0 + 900.0, air_c, 35.0)
    later.load(kept)
    for after_s in (900.0, 1500.0):
        assert later.sensor_c(T0 + after_s) == watched.sensor_c(T0 + after_s)
    assert later.on and later.setpoint_c == -12.0 and later.power == watched.power


def test_a_weak_cooler_ends_where_its_power_balances_the_leak() -> None:
    cooler = Cooler(1, T0, lambda _: 10.0, 30.0, lambda _: 0.5)
    cooler.cool(T0, -15.0, 30.0)
    # Half of the pump's strength holds half of its depth: 10 - 0.5 * 30. It knows nothing of it.
    assert cooler.sensor_c(T0 + 3600.0) == pytest.approx(-5.0, abs=0.01)
    assert cooler.power == 1.0


def test_the_last_degrees_of_a_cooler_are_the_dearest() -> None:
    cooler = Cooler(1, T0, lambda _: 10.0, 30.0)
    cooler.cool(T0, -5.0, 30.0)
    assert cooler.sensor_c(T0 + 3600.0) == pytest.approx(-5.0, abs=0.01)
    # Half of the depth: 2p - p^2 = 1/2.
    assert cooler.power == pytest.approx(1.0 - 0.5**0.5, abs=0.001)
    cooler.cool(T0 + 3600.0, -19.0, 30.0)
    cooler.sensor_c(T0 + 7200.0)
    assert 0.8 < cooler.power < 0.85


def test_a_dead_cooler_drifts_to_the_air_warmed_by_its_own_electronics() -> None:
    def strength(utc_s: float) -> float:
        return 1.0 if utc_s < T0 + 1800.0 else 0.0

    cooler = Cooler(1, T0, lambda _: 4.0, 30.0, strength, self_heating_c=2.0)
    assert cooler.sensor_c(T0) == 6.0
    cooler.cool(T0, -10.0, 30.0)
    assert cooler.sensor_c(T0 + 1790.0) == pytest.approx(-10.0, abs=0.01)
    assert cooler.power < 1.0
    assert cooler.sensor_c(T0 + 5400.0) == pytest.approx(6.0, abs=0.01)
    assert cooler.on and cooler.power == 1.0


def test_a_gear_that_was_kept_goes_on_in_its_play() -> None:
    one, other = Gear(5.0, 1.0), Gear(5.0, 1.0)
    one.turn(3.0)
    other.load(tuple(one.save()))  # type: ignore[arg-type]
    assert [one.turn(way) for way in (4.0, 4.0, -3.0)] == [
        other.turn(way) for way in (4.0, 4.0, -3.0)
    ]


@pytest.mark.parametrize("fault", ["frame-truncated", "frame-corrupt"])
def test_a_spoilt_frame_is_reported_and_forgotten_by_what_was_reported(fault: str) -> None:
    async def main(bench: Bench) -> None:
        spool = MemorySpool("spoilt")
        frames = SpoiltFrames(spool, Troubles([FaultSpan(name=fault, from_utc_s=T0)], bench.clock))
        said = frames.keep(PIXELS, reference())
        (stored, in_spool) = spool.frames[next(iter(spool.frames))]
        # The spool is honest about what it has, and that is not what was told.
        assert stored.shape == (in_spool.height_px, in_spool.width_px)
        assert (said.sha256, said.height_px) != (in_spool.sha256, in_spool.height_px)
        later = SpoiltFrames(spool, Troubles([], bench.clock))
        later.load(frames.save())
        assert later.waiting() == frames.waiting() == (said,)
        later.drop(said.sha256)
        assert not spool.frames

    on_bench(main)


def reference() -> FrameRef:
    return FrameRef(
        sha256="0" * 64, where="", width_px=6, height_px=8, exposure_id="one", frame="light",
        began_at=EVENING, exposure_s=1.0, gain=0, offset=0, binning=1, sensor_c=None,
        setpoint_c=None, pixel_um=4.0, electrons_per_adu=1.0, saturation_adu=65535,
    )  # fmt: skip


def test_without_a_link_nothing_is_made_safe() -> None:
    span = {"name": "mount-power-lost", "from_utc_s": T0 + 10.0, "until_utc_s": T0 + 100.0}

    async def main(bench: Bench) -> None:
        mount = await connected(make_mount(bench.context("mount", faults=[span])))
        await mount.perform(Unpark())
        await bench.clock.sleep(30.0)
        with pytest.raises(DeviceError, match="is not found"):
            await mount.make_safe("nobody is there")
        assert not mount.state().at_rest
        await bench.clock.sleep(100.0)
        await mount.make_safe("nobody is there")
        assert mount.state().at_rest

    on_bench(main)
