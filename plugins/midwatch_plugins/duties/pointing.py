"""Slew, flip, and stop tracking."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api.duty import (
    Cause,
    CommandError,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    ErrorKind,
    FlipArgs,
    Flipped,
    HaltArgs,
    MountState,
    SlewArgs,
    Track,
    motion_ended,
    point,
    stop_guiding,
)


class SlewTo:
    """Slew to a target."""

    name: ClassVar[str] = "slew"
    cause: ClassVar[Cause] = "slewing"
    takes: ClassVar[type[DutyArgs]] = SlewArgs

    async def perform(self, context: DutyContext, args: SlewArgs) -> None:
        """Unpark if needed, slew, and prove where it ended."""
        target = context.target(args.target)
        what = f"slew to {target.name}"
        await point(context, *target.position_at(context.now_s), args.pier_side, what)


class Flip:
    """Bring the telescope to the other side of the pier."""

    name: ClassVar[str] = "flip"
    cause: ClassVar[Cause] = "flipping"
    takes: ClassVar[type[DutyArgs]] = FlipArgs

    async def perform(self, context: DutyContext, args: FlipArgs) -> None:
        """Slew to the same target from the other side, and check that the side has changed."""
        target = context.target(args.target)
        before = context.mount_state()
        what = f"flip on {target.name}"
        try:
            position = target.position_at(context.now_s)
            await point(context, *position, context.geometry.flips_to, what)
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
    """Stop tracking where the mount is."""

    name: ClassVar[str] = "halt"
    cause: ClassVar[Cause] = "slewing"
    takes: ClassVar[type[DutyArgs]] = HaltArgs

    async def perform(self, context: DutyContext, args: HaltArgs) -> None:
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
