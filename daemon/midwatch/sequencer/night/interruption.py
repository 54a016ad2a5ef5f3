"""Brings busy devices to a stop after a duty was interrupted, in a fixed order.

Every step is awaited, limited in time and isolated: one that fails never hides the next.
"""

from __future__ import annotations

import structlog

from midwatch.devices.client import DeviceClient, RigClient
from midwatch.devices.contract import DeviceState, Stop
from midwatch.errors import MidwatchError

_log = structlog.get_logger(__name__)

_STOP_S = 15.0


async def stop_devices(rig: RigClient) -> None:
    """Stop the exposure, the focuser, and a slew, if they are under way.

    Guiding and tracking go on: whether they must end is for the next decision.
    """
    camera, focuser, mount = rig.camera, rig.focuser, rig.mount
    if camera.state is not None and camera.state.phase == "exposing":
        await _stop(camera)
    if focuser.state is not None and focuser.state.moving:
        await _stop(focuser)
    if mount.state is not None and mount.state.slewing:
        await _stop(mount)


async def _stop(device: DeviceClient[DeviceState]) -> None:
    if device.down:
        return
    try:
        await device.do(Stop(), timeout_s=_STOP_S)
    except MidwatchError as error:
        _log.warning("stop_failed", device=device.name, error=str(error))
