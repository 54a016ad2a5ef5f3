"""What hardware does after its driver's process has died, and what a new driver finds."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

import pytest

from midwatch.bus import CallTimeoutError, CommandError
from midwatch.devices.contract import Connect, Stop
from midwatch.devices.contract.kinds import (
    CloseRoof,
    Cool,
    Cover,
    CycleOutlet,
    Expose,
    Light,
    Move,
    OpenRoof,
    Park,
    Rotate,
    SelectFilter,
    SetOutlet,
    Settle,
    Slew,
    StartGuiding,
    Unpark,
)
from support.fault_bench import FaultRig, with_faults

FIELD = Slew(ra_deg=114.6, dec_deg=21.6)
FAR = Slew(ra_deg=200.0, dec_deg=60.0)
GUIDE = StartGuiding(settle=Settle(under_arcsec=3.0, hold_s=10.0, timeout_s=120.0))


async def killed_during(
    rig: FaultRig, role: str, command: Any, after_s: float, gone_s: float
) -> None:
    """Kill a driver in the middle of a command, and start it again some time later."""

    async def ask() -> None:
        with contextlib.suppress(CommandError, CallTimeoutError):
            await rig.do(role, command, 20.0)

    task = asyncio.create_task(ask())
    await rig.clock.sleep(after_s)
    await rig.restart(role, gone_s)
    assert not rig.state(role).connected
    await task


def test_a_mount_tracks_on_and_still_knows_where_it_is() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        there, said = rig.pointing(), rig.state("mount").ra_deg
        await rig.restart("mount", 300.0)
        state = rig.state("mount")
        assert not state.connected and state.tracking and not state.parked
        # Polar error and worm move it by seconds of arc in five minutes, the sky by a degree.
        assert rig.pointing() == pytest.approx(there, abs=0.01)
        assert state.ra_deg == pytest.approx(said, abs=0.01)
        with pytest.raises(CommandError, match="not_connected"):
            await rig.do("mount", FAR)
        await rig.do("mount", Connect())
        await rig.do("mount", FIELD)
        assert max(map(abs, rig.off_deg())) < 0.05, "it has lost its sync"

    with_faults(story, {"mount": {}})


def test_a_parked_mount_is_parked() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await rig.do("mount", Park())
        await rig.restart("mount", 30.0)
        assert rig.state("mount").parked and rig.truth("mount").parked

    with_faults(story, {"mount": {}})


@pytest.mark.parametrize("gone_s", [5.0, 300.0])
def test_a_slewing_mount_arrives_and_tracks(gone_s: float) -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await killed_during(rig, "mount", FAR, 4.0, gone_s)
        if gone_s < 10.0:
            assert rig.state("mount").slewing and rig.truth("mount").slewing
        await rig.clock.sleep(60.0)
        state = rig.state("mount")
        assert state.tracking and not state.slewing
        assert rig.pointing() == (pytest.approx(200.0, abs=0.7), pytest.approx(60.0, abs=0.4))

    with_faults(story, {"mount": {}})


def test_a_mount_on_its_way_to_park_parks_and_can_be_stopped_by_the_new_driver() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await killed_during(rig, "mount", Park(), 2.0, 200.0)
        assert rig.state("mount").parked
        await rig.do("mount", Connect())
        await rig.do("mount", Unpark())
        await killed_during(rig, "mount", FIELD, 3.0, 3.0)
        assert rig.state("mount").slewing
        await rig.do("mount", Connect())
        await rig.do("mount", Stop())
        halted = rig.pointing()[1]
        await rig.clock.sleep(60.0)
        state = rig.state("mount")
        assert not state.slewing and not state.tracking and rig.pointing()[1] == halted
        assert 30.0 < halted < 85.0, "it stands between the pole and its goal"

    with_faults(story, {"mount": {}})


def test_who_was_away_hears_at_once_what_the_others_do() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await rig.restart("roof", 5.0)
        await rig.do("roof", Connect())
        # The roof's switch knows the mount, though that has said nothing since.
        await rig.do("roof", OpenRoof())
        with pytest.raises(CommandError, match="not parked"):
            await rig.do("roof", CloseRoof())

    with_faults(story, {"mount": {}, "roof": {}})


def test_a_roof_runs_on() -> None:
    async def story(rig: FaultRig) -> None:
        await killed_during(rig, "roof", OpenRoof(), 5.0, 5.0)
        assert rig.truth("roof").open_fraction == pytest.approx(10.0 / 25.0, abs=0.05)
        await rig.do("roof", Connect())
        await killed_during(rig, "roof", OpenRoof(), 5.0, 60.0)
        assert rig.truth("roof").open_fraction == 1.0

    with_faults(story, {"roof": {}})


def test_a_focuser_a_wheel_and_a_rotator_arrive() -> None:
    async def story(rig: FaultRig) -> None:
        await killed_during(rig, "focuser", Move(position=16_000), 2.0, 60.0)
        assert rig.truth("focuser").tube == rig.state("focuser").position == 16_000
        await rig.do("filter_wheel", SelectFilter(name="G"))
        await rig.restart("filter_wheel", 5.0)
        assert rig.truth("filter_wheel").name == "G"
        await killed_during(rig, "rotator", Rotate(angle_deg=200.0), 2.0, 5.0)
        assert rig.state("rotator").angle_deg == pytest.approx(90.0 + 7.0 * 4.0, abs=5.0)
        turned = rig.truth("rotator").turned_deg
        await rig.restart("rotator", 60.0)
        assert rig.truth("rotator").turned_deg == turned

    with_faults(story, {"focuser": {}, "filter_wheel": {}, "rotator": {}})


def test_a_panel_shines_on_and_relays_hold() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.do("flat_panel", Light(brightness_percent=40.0))
        await killed_during(rig, "flat_panel", Cover(closed=True), 2.0, 30.0)
        truth = rig.truth("flat_panel")
        assert truth.covers and truth.brightness_percent == 40.0
        assert rig.state("flat_panel").cover == "closed"
        await rig.do("switch", SetOutlet(outlet="dew_heater", on=True))
        cycle = CycleOutlet(outlet="camera", off_s=30.0)
        await killed_during(rig, "switch", cycle, 5.0, 60.0)
        outlets = rig.state("switch").outlets
        assert outlets == {"mount": True, "camera": True, "dew_heater": True}

    with_faults(story, {"flat_panel": {}, "switch": {}})


def test_a_cooler_goes_on_and_the_exposure_in_hand_is_lost() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.do("camera", Cool(setpoint_c=-10.0, rate_c_per_min=5.0))
        await rig.clock.sleep(60.0)
        exposure = Expose(exposure_id="lost", frame="dark", exposure_s=300.0)
        await killed_during(rig, "camera", exposure, 5.0, 600.0)
        state = rig.state("camera")
        assert state.cooler_on and state.setpoint_c == -10.0
        assert state.phase == "idle" and state.waiting == ()
        await rig.do("camera", Connect())
        await rig.clock.sleep(5.0)
        kept = await rig.do("camera", exposure.model_copy(update={"exposure_s": 5.0}))
        assert kept.sensor_c == pytest.approx(-10.0, abs=0.3)
        await rig.restart("camera", 10.0)
        assert rig.state("camera").waiting == (kept.sha256,)

    with_faults(story, {"camera": {"width_px": 64, "height_px": 48}})


def test_a_guider_keeps_its_calibration_and_nobody_guides() -> None:
    async def story(rig: FaultRig) -> None:
        await rig.look_at(FIELD)
        await rig.do("guider", GUIDE)
        assert rig.truth("mount").guided
        await rig.restart("guider", 10.0)
        state = rig.state("guider")
        assert state.calibrated and state.phase == "idle"
        assert not rig.truth("guider").guiding and not rig.truth("mount").guided
        await rig.do("guider", Connect())
        began_s = rig.clock.mono()
        await rig.do("guider", GUIDE)
        assert rig.clock.mono() - began_s < 45.0

    with_faults(story, {"weather": {}, "mount": {}, "guider": {}})


def test_killed_at_any_moment_one_seed_is_one_course() -> None:
    async def story(rig: FaultRig) -> tuple[Any, ...]:
        await rig.look_at(FIELD)
        await killed_during(rig, "mount", FAR, 7.3, 11.0)
        await rig.do("mount", Connect())
        await rig.clock.sleep(30.0)
        return (*rig.pointing(), rig.state("mount"))

    assert with_faults(story, {"mount": {}}) == with_faults(story, {"mount": {}})
