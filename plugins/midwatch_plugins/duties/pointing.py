"""Slew, flip, and stop tracking."""

from __future__ import annotations

from typing import ClassVar, Literal, NoReturn

from midwatch.api import (
    Args,
    Cause,
    CommandError,
    DutyContext,
    DutyFailedError,
    ErrorKind,
    Flipped,
    MountState,
    Slew,
    Track,
    Unpark,
    motion_ended,
    park,
    stop_guiding,
)

# Half a turn at a slow mount's pace, plus settling.
_SLEW_S = 300.0


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
        await point(context, *target.position_at(context.now_s), side_of(args), what)


class Flip:
    """Bring the telescope to the other side of the pier."""

    name: ClassVar[str] = "flip"
    cause: ClassVar[Cause] = "flipping"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Slew to the same target from the other side, and check that the side has changed."""
        target = context.target(str(args["target"]))
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
