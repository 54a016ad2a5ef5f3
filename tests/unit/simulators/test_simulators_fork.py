"""The simulated fork: no side, through the meridian, and ends of its own."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.devices.contract import DeviceError
from midwatch.devices.contract.kinds import MountState, Park, Pulse, Slew, Unpark
from midwatch.sky import Observer
from midwatch_simulators.mount.mount_kinds import ForkAxes
from midwatch_simulators.mount.options import MountOptions
from midwatch_simulators.mount.simulated_mount import SimulatedMount, make
from support.simulators_bench import Bench, connected, on_bench


def at_hour_angle(bench: Bench, ha_deg: float) -> float:
    return float(Observer(bench.place).local_sidereal_deg(bench.clock.unix_s()) - ha_deg) % 360


async def ready(bench: Bench, **options: object) -> SimulatedMount:
    mount = await connected(make(bench.context("mount", geometry="fork", **options)))
    await mount.perform(Unpark())
    assert isinstance(mount, SimulatedMount)
    return mount


@given(st.floats(-179, 179), st.floats(-89, 89), st.sampled_from([1.0, -1.0]))
def test_axes_and_directions_belong_together(ha, dec, hemisphere):
    kind = ForkAxes(MountOptions(geometry="fork"))
    axes = kind.axes_of(ha, dec, "unknown", hemisphere)
    assert kind.direction_of(axes, hemisphere) == pytest.approx((ha, dec))


def test_it_tracks_through_the_meridian_without_turning_anything():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -2), dec_deg=20))
        before, turn = mount.state(), mount.truth().camera_turn_deg
        await bench.clock.sleep(3600)
        return before, mount.state(), turn, mount.truth().camera_turn_deg

    before, after, *turns = on_bench(main)
    assert before.hour_angle_deg < 0.0 < after.hour_angle_deg
    assert after.tracking and after.fault is None
    assert before.pier_side == after.pier_side == "unknown"
    assert turns == [0.0, 0.0]


def test_from_far_east_to_far_west_it_unwinds_its_cables_through_the_meridian():
    async def main(bench: Bench):
        mount = await ready(bench, slew_rate_deg_s=2.0, settle_s=0.0)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -100), dec_deg=50))
        began = bench.clock.mono()
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, 100), dec_deg=50))
        return bench.clock.mono() - began

    # 200 degrees at 2 deg/s and one ramp; the way under the pole would be 160.
    assert on_bench(main) == pytest.approx(200 / 2 + 2 / 1.5, abs=1.5)


@pytest.mark.parametrize(
    ("hour_angle_deg", "dec_deg", "words"),
    [(112, 60, "its cables end at 110.0 deg"), (20, 86, "the camera meets the base")],
)
def test_it_refuses_what_its_body_cannot_do(hour_angle_deg, dec_deg, words):
    async def main(bench: Bench) -> MountState:
        mount = await ready(bench, cable_deg=110.0, base_clear_deg=6.0)
        with pytest.raises(DeviceError, match=words):
            await mount.perform(Slew(ra_deg=at_hour_angle(bench, hour_angle_deg), dec_deg=dec_deg))
        return mount.state()

    assert not on_bench(main).slewing


def test_it_stops_where_its_cables_end():
    async def main(bench: Bench):
        mount = await ready(bench, cable_deg=60.0)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, 55), dec_deg=30))
        await bench.clock.sleep(3600)
        return mount.state()

    state = on_bench(main)
    assert not state.tracking
    assert "cables wound up" in state.fault
    assert 60.0 < state.hour_angle_deg < 62.0  # it looks once in a while


def test_it_parks_with_upright_arms():
    async def main(bench: Bench):
        mount = await ready(bench)
        await mount.perform(Slew(ra_deg=at_hour_angle(bench, -40), dec_deg=10))
        await mount.perform(Park())
        return mount.state()

    state = on_bench(main)
    assert state.parked
    # The equator on the meridian is 90 degrees less the latitude of the bench up, in the south.
    assert (state.alt_deg, state.az_deg) == pytest.approx((44.0, 180.0), abs=0.1)


def test_a_pulse_north_goes_north_before_the_meridian_and_after():
    async def main(bench: Bench):
        moved = []
        for ha in (-30, 30):
            mount = await ready(
                bench, dec_backlash_arcsec=0.0, dec_follows_sky=False, worm_arcsec=0.0
            )
            await mount.perform(Slew(ra_deg=at_hour_angle(bench, ha), dec_deg=20))
            before = mount.state().dec_deg
            await mount.perform(Pulse(direction="north", duration_ms=2000))
            moved.append(mount.state().dec_deg - before)
        return moved

    # Two seconds at half the sidereal rate.
    assert on_bench(main) == pytest.approx([15.04 / 3600, 15.04 / 3600], rel=0.01)
