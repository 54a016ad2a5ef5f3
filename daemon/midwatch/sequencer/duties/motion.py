"""Motions that several duties share, each leaving proof of where it ended."""

from __future__ import annotations

import asyncio
from typing import Literal, NoReturn

from midwatch.bus import CommandError, ErrorKind
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract.kinds import MountState, Park, Slew, StopGuiding, Unpark
from midwatch.journal.facts import MotionEnded
from midwatch.sequencer.duties.context import DutyContext
from midwatch.sequencer.duties.duty_failure import DutyFailedError
from midwatch.tasks import end, start

# From the far side of the sky, at the slowest mounts' pace.
_PARK_S = 300.0
# Half a turn at a slow mount's pace, plus settling.
_SLEW_S = 300.0


def motion_ended(context: DutyContext, what: str) -> None:
    """Journal where the mount is after a motion, and whether that is inside the limits."""
    mount = context.mount_state()
    horizon_deg = context.limits.limits.horizon.altitude_at(mount.az_deg)
    lowest_deg = max(horizon_deg, context.limits.limits.min_alt_deg)
    # A parked mount is at rest in the position it was built for.
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


async def point(
    context: DutyContext,
    ra_deg: float,
    dec_deg: float,
    side: Literal["east", "west"] | None,
    what: str,
) -> None:
    """Unpark if needed, slew to a position, and prove where that ended.

    Args:
        context: of the duty.
        ra_deg: right ascension of the goal, J2000.
        dec_deg: its declination.
        side: of the pier, on which to arrive; None where any will do.
        what: the motion, as the journal is to call it.

    Raises:
        DutyFailedError: the mount does not track there, or went to the other side of its pier. It
            is parked then: from there it has the most room before any limit.
    """
    mount = context.device(context.rig.mount, "mount")
    _see_roof_open(context)
    await stop_guiding(context)
    if context.mount_state().parked:
        await mount.do(Unpark(), timeout_s=30.0)
    try:
        await mount.do(Slew(ra_deg=ra_deg, dec_deg=dec_deg, pier_side=side), timeout_s=_SLEW_S)
        await mount.until(lambda state: state.tracking and not state.slewing, timeout_s=20.0)
    except TimeoutError as error:
        raise DutyFailedError(
            "mount", "not_tracking", "the mount arrived but does not track; check its state"
        ) from error
    except CommandError as error:
        # One that is refused at the outset comes again with every attempt; this was under way.
        if error.kind is not ErrorKind.LIMIT or not error.retryable:
            raise
        await mount.until(lambda state: not state.slewing, timeout_s=20.0)
        motion_ended(context, what)
        await _wrong_side(context, error.message)
    motion_ended(context, what)
    arrived = context.mount_state().pier_side
    if context.geometry.arrived_wrong(side, arrived):
        said = f"the mount was sent to the {side} of its pier and says that it is {arrived}"
        await _wrong_side(context, said)


def _see_roof_open(context: DutyContext) -> None:
    roof = context.rig.roof
    if roof is not None and (roof.down or roof.state is None or roof.state.position != "open"):
        raise DutyFailedError(
            "roof", "not_open", "the roof does not say that it is open; the mount stays where it is"
        )


async def _wrong_side(context: DutyContext, message: str) -> NoReturn:
    """Park a mount that goes to the wrong side of its pier, and raise."""
    await park(context)
    raise DutyFailedError("mount", "wrong_side", message)
