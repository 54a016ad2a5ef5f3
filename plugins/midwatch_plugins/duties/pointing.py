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
    MountState,
    Track,
    motion_ended,
    point,
    stop_guiding,
)


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
        what = f"slew to {target.name}"
        await point(context, target.ra_deg, target.dec_deg, side_of(args), what)


class Flip:
    """Bring the telescope to the other side of the pier."""

    name: ClassVar[str] = "flip"
    cause: ClassVar[Cause] = "flipping"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Slew to the same target from the east side, and check that the side has changed."""
        target = context.target(str(args["target"]))
        before = context.mount_state()
        what = f"flip on {target.name}"
        try:
            await point(context, target.ra_deg, target.dec_deg, "east", what)
        except DutyFailedError as error:
            if error.fault == "wrong_side":
                self._note(context, target.name, before, ok=False)
            raise
        self._note(context, target.name, before, ok=True)

    @staticmethod
    def _note(context: DutyContext, target: str, before: MountState, *, ok: bool) -> None:
        after = context.mount_state()
        context.note(
            Flipped(
                target=target,
                ok=ok,
                hour_angle_deg=after.hour_angle_deg,
                from_side=before.pier_side,
                to_side=after.pier_side,
            )
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
