"""Motions that several duties share, each leaving proof of where it ended."""

from __future__ import annotations

import asyncio

from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import MountState, Park, StopGuiding
from midwatch.journal.facts import MotionEnded
from midwatch.sequencer.duties.context import DutyContext
from midwatch.sequencer.duties.duty_failure import DutyFailedError
from midwatch.tasks import end, start

# From the far side of the sky, at the slowest mounts' pace.
_PARK_S = 300.0


def motion_ended(context: DutyContext, what: str) -> None:
    """Journal where the mount stands after a motion, and whether that is inside the limits."""
    mount = context.mount_state()
    horizon_deg = context.limits.limits.horizon.altitude_at(mount.az_deg)
    lowest_deg = max(horizon_deg, context.limits.limits.min_alt_deg)
    # A parked mount stands still where it was built to stand.
    breach = (
        None
        if mount.parked
        else context.limits.breach(mount.ra_deg, mount.dec_deg, context.now_s, mount.pier_side)
    )
    context.note(
        MotionEnded(
            what=what,
            alt_deg=mount.alt_deg,
            horizon_deg=lowest_deg,
            hour_angle_deg=mount.hour_angle_deg,
            pier_side=mount.pier_side,
            sun_distance_deg=context.sun_distance_deg(mount.ra_deg, mount.dec_deg),
            within_limits=breach is None,
            message=None if breach is None else breach.message,
        )
    )


async def stop_guiding(context: DutyContext) -> None:
    """Have the guider let go of the mount; a rig without one, or with a silent one, is fine."""
    guider = context.rig.guider
    if guider is None or guider.down or guider.state is None or guider.state.phase == "idle":
        return
    await guider.do(StopGuiding(), timeout_s=30.0)


async def park(context: DutyContext) -> None:
    """Park the mount and make sure that it says so.

    Raises:
        DutyFailedError: it does not, or its driver has died meanwhile.
    """
    mount = context.device(context.rig.mount, "mount")
    if not context.mount_state().parked:
        await _do_park(mount)
        try:
            await mount.until(lambda state: state.parked, timeout_s=30.0)
        except TimeoutError as error:
            raise DutyFailedError(
                "mount", "not_parked", "the mount does not confirm that it is parked; check it"
            ) from error
    motion_ended(context, "park")


async def _do_park(mount: DeviceClient[MountState]) -> None:
    """Have the mount park; a driver that dies over it is not waited for, since it never answers."""
    since, gone = mount.since, asyncio.Event()

    def look() -> None:
        if mount.down or mount.since != since:
            gone.set()

    forget = mount.listen(look)
    parking = start("park", mount.do(Park(), timeout_s=_PARK_S))
    dying = start("death of the mount's driver", gone.wait())
    try:
        await asyncio.wait({parking, dying}, return_when=asyncio.FIRST_COMPLETED)
        if not parking.done():
            raise DutyFailedError("mount", "silent", "the mount's driver has died while it parked")
        parking.result()
    finally:
        forget()
        await end(parking, dying, reason="parking is over")
