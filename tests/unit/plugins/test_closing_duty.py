"""The real duties that park and close, on a simulated rig whose roof or mount lets it down."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from midwatch.api.duty import DutyContext, DutyFailedError, point
from midwatch.devices.contract.kinds import Cool, OpenRoof, Slew, Unpark
from midwatch.sequencer.decision import CloseArgs
from midwatch.sequencer.duties import Duty
from midwatch_plugins.duties.closing import Close, Secure
from support.centring_bench import EVENING, Rig, on_rig

STALLED = {
    "faults": [{"name": "mount-stalls", "from_utc_s": EVENING.timestamp() + 120.0,
                "until_utc_s": None}]
}  # fmt: skip


async def out_under_the_sky(context: DutyContext) -> None:
    """Open the roof, point at the target, and let the mount come to a standstill there."""
    assert context.rig.roof is not None
    await context.rig.roof.do(OpenRoof(), 200.0)
    target = context.night.targets[0]
    await context.rig.mount.do(Unpark(), 30.0)
    ra_deg, dec_deg = target.position_at(context.now_s)
    await context.rig.mount.do(Slew(ra_deg=ra_deg, dec_deg=dec_deg), 300.0)
    await context.clock.sleep(120.0)


@pytest.mark.parametrize("duty", [Secure(), Close()])
@pytest.mark.parametrize("clears", [False, True])
def test_a_roof_without_a_switch_of_its_own_does_not_close_on_a_telescope_that_does_not_park(
    clears: bool, duty: Duty[Any], tmp_path: Path
) -> None:
    async def act(context: DutyContext, drivers: dict[str, Any]) -> tuple[float, str]:
        await out_under_the_sky(context)
        # Its switch shows a parked mount, whatever the mount does: a stuck contact, a cut wire.
        drivers["roof"]._mount_is_out = lambda: False
        with pytest.raises(DutyFailedError) as failure:
            await duty.perform(context, duty.takes())
        assert not context.mount_state().parked
        return drivers["roof"].truth().open_fraction, str(failure.value)

    rig = Rig(devices={"mount": STALLED, "roof": {"clears_telescope": clears}})
    open_fraction, message = on_rig(tmp_path, rig, act)
    assert open_fraction == (0.0 if clears else 1.0)
    assert ("not closed: the mount is not parked" in message) is not clears


def test_a_mount_is_not_unparked_under_a_roof_that_says_that_it_is_closed(tmp_path: Path) -> None:
    async def act(context: DutyContext, drivers: dict[str, Any]) -> str:
        target = context.night.targets[0]
        with pytest.raises(DutyFailedError) as failure:
            await point(context, *target.position_at(context.now_s), None, "slew")
        assert context.mount_state().parked
        assert drivers["mount"].truth().parked
        return failure.value.fault

    assert on_rig(tmp_path, Rig(), act) == "not_open"


def test_for_now_the_rig_is_closed_and_the_camera_kept_cold(tmp_path: Path) -> None:
    async def act(context: DutyContext, drivers: dict[str, Any]) -> tuple[bool, ...]:
        await out_under_the_sky(context)
        await context.rig.camera.do(Cool(setpoint_c=0.0, rate_c_per_min=3.0), 30.0)
        await Close().perform(context, CloseArgs(for_now=True))
        roof_shut = drivers["roof"].truth().open_fraction == 0.0
        return context.mount_state().parked, roof_shut, drivers["camera"].state().cooler_on

    assert on_rig(tmp_path, Rig(), act) == (True, True, True)


def test_a_cooler_that_does_not_warm_up_is_named_with_what_to_do(tmp_path: Path) -> None:
    async def act(context: DutyContext, drivers: dict[str, Any]) -> str:
        await context.rig.camera.do(Cool(setpoint_c=0.0, rate_c_per_min=3.0), 30.0)
        drivers["camera"]._cooler.warm = lambda *_: None
        with pytest.raises(DutyFailedError) as failure:
            await Close().perform(context, CloseArgs())
        return str(failure.value)

    message = on_rig(tmp_path, Rig(), act)
    assert "min of warming the cooler is still on, the sensor at" in message
    assert "switch the camera off by hand" in message
