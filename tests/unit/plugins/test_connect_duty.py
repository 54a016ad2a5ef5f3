"""Connecting: one device that is missing keeps no other from being ready."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from midwatch.api.duty import DutyContext, DutyFailedError
from midwatch.devices.contract import Disconnect
from midwatch.sequencer.decision import ConnectArgs
from midwatch_plugins.duties.preparing import ConnectRig
from support.centring_bench import EVENING, Rig, on_rig

UNPLUGGED = {
    "faults": [{"name": "camera-unplugged", "from_utc_s": EVENING.timestamp() + 1.0,
                "until_utc_s": None}]
}  # fmt: skip


def test_all_others_are_connected_when_the_camera_is_unplugged(tmp_path: Path) -> None:
    async def act(context: DutyContext, drivers: dict[str, Any]) -> tuple[str, str, list[str]]:
        for client in context.rig.devices.values():
            await client.do(Disconnect(), 30.0)
        await context.clock.sleep(30.0)
        with pytest.raises(DutyFailedError) as failure:
            await ConnectRig().perform(context, ConnectArgs())
        left = [n for n, c in context.rig.devices.items() if c.state and not c.state.connected]
        return failure.value.device, str(failure.value), left

    device, message, left = on_rig(tmp_path, Rig(devices={"camera": UNPLUGGED}), act)
    assert (device, left) == ("camera", ["camera"])
    assert message == "the camera does not connect: camera is not found; check its cable and power"
