"""Slew, flip, and stop tracking."""

from __future__ import annotations

from typing import ClassVar, Literal

from midwatch.api import (
    Args,
    Cause,
    CommandError,
    DutyContext,
    DutyFailedError,
    ErrorKind,
    Flipped,
    Slew,
    Track,
    Unpark,
    motion_ended,
    stop_guiding,
)

# Half a turn at a slow mount's pace, plus settling.
_SLEW_S = 300.0


async def point(
    context: DutyContext, ra_deg: float, dec_deg: float, side: Literal["east", "west"] | None
) -> None:
    """Unpark if needed, slew to a position and make sure that the mount tracks there."""
    mount = context.device(context.rig.mount, "mount")
    await stop_guiding(context)
    if context.mount_state().parked:
        await mount.do(Unpark(), timeout_s=30.0)
    await mount.do(Slew(ra_deg=ra_deg, dec_deg=dec_deg, pier_side=side), timeout_s=_SLEW_S)
    try:
        await mount.until(lambda state: state.tracking and not state.slewing, timeout_s=20.0)
    except TimeoutError as error:
        raise DutyFailedError(
            "mount", "not_tracking", "the mount arrived but does not track; check its state"
        ) from error


def side_of(args: Args) -> Literal["east", "west"] | None:
    """Return the side of the pier that was asked for, or None where any will do."""
    side = args.get("pier_side")
    return "east" if side == "east" else "west" if side == "west" else None


class SlewTo:
    """Slew to a target."""

    name: ClassVar[str] = "slew"
    cause: ClassVar[Cause] = "slewing"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Unpark if needed, slew, and prove where it ended."""
        target = context.target(str(args["target"]))
        side = side_of(args)
        await point(context, target.ra_deg, target.dec_deg, side)
        motion_ended(context, f"slew to {target.name}")
        arrived = context.mount_state().pier_side
        if side is not None and arrived not in (side, "unknown"):
            raise DutyFailedError(
                "mount",
                "wrong_side",
                f"the mount was sent to the {side} of its pier and says that it is {arrived}",
            )


class Flip:
    """Bring the telescope to the other side of the pier."""

    name: ClassVar[str] = "flip"
    cause: ClassVar[Cause] = "flipping"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Slew to the same target from the east side, and check that the side has changed."""
        target = context.target(str(args["target"]))
        before = context.mount_state()
        await point(context, target.ra_deg, target.dec_deg, "east")
        after = context.mount_state()
        motion_ended(context, f"flip on {target.name}")
        ok = after.pier_side == "east"
        context.note(
            Flipped(
                target=target.name,
                ok=ok,
                hour_angle_deg=after.hour_angle_deg,
                from_side=before.pier_side,
                to_side=after.pier_side,
            )
        )
        if not ok:
            raise DutyFailedError(
                "mount", "wrong_side", f"after the flip the mount says {after.pier_side}, not east"
            )


class Halt:
    """Stop tracking where the mount stands."""

    name: ClassVar[str] = "halt"
    cause: ClassVar[Cause] = "slewing"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Let go of guiding, stop tracking."""
        await stop_guiding(context)
        mount = context.device(context.rig.mount, "mount")
        try:
            await mount.do(Track(on=False), timeout_s=30.0)
        except CommandError as error:
            # Past a limit the mount's own host stops it, in the same instant.
            if error.kind is not ErrorKind.BUSY:
                raise
        await mount.until(lambda state: not state.tracking, timeout_s=20.0)
        motion_ended(context, "tracking")
