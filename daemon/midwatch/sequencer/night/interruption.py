"""Brings busy devices to a stop after a duty was interrupted, in a fixed order.

Every step is awaited, limited in time and isolated: one that fails never hides the next.
"""

from __future__ import annotations

import asyncio

import structlog

from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, RigClient
from midwatch.devices.contract import DeviceState, Stop
from midwatch.errors import MidwatchError

_log = structlog.get_logger(__name__)

_STOP_S = 15.0
# A cancelled duty has this long to end. Too short: its clean-up runs during the next duty; too
# long: one that hangs holds up what interrupted it.
_CANCEL_S = 30.0


async def interrupt(task: asyncio.Task[None], reason: str, rig: RigClient, clock: Clock) -> None:
    """Cancel a duty with a reason and stop the devices; the one way of interruption."""
    task.cancel(reason)
    _, pending = await asyncio.wait({task}, timeout=None if clock.virtual else _CANCEL_S)
    if pending:
        _log.error("duty_did_not_end", task=task.get_name(), limit_s=_CANCEL_S)
    elif not task.cancelled() and task.exception() is not None:
        _log.debug("duty_ended_with", task=task.get_name(), error=str(task.exception()))
    await stop_devices(rig)


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
