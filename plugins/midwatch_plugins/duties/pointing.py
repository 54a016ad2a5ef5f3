"""Slew, centre, flip, and stop tracking."""

from __future__ import annotations

from typing import ClassVar, Literal

from midwatch.api import (
    Args,
    Cause,
    Centred,
    DutyContext,
    DutyFailedError,
    Flipped,
    Slew,
    Solution,
    Sync,
    Track,
    Unpark,
    motion_ended,
    separation_deg,
    stop_guiding,
)

# Half a turn at a slow mount's pace, plus settling.
_SLEW_S = 300.0
# Where to look for the field at first, and in the last attempts. Wider costs time and finds a
# mount that is further off.
_HINT_DEG = (1.0, 1.0, 3.0, 6.0)


async def _point(
    context: DutyContext, ra_deg: float, dec_deg: float, side: Literal["east", "west"] | None
) -> None:
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


def _side(args: Args) -> Literal["east", "west"] | None:
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
        await _point(context, target.ra_deg, target.dec_deg, _side(args))
        motion_ended(context, f"slew to {target.name}")


class Centre:
    """Bring a target to the middle of the field by plate solving."""

    name: ClassVar[str] = "centre"
    cause: ClassVar[Cause] = "centring"
    repeatable: ClassVar[bool] = True

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Solve and correct until the target is within tolerance."""
        target = context.target(str(args["target"]))
        settings = context.night.rig.centring
        reason = "no attempt was made"
        error_arcsec: float | None = None
        solution: Solution | None = None
        for attempt in range(1, settings.attempts + 1):
            # A frame with too few stars is tried again with a longer one.
            exposure_s = settings.exposure_s * (1.0 if attempt < 3 else 2.0)
            shot = await context.darkroom.throwaway("solve", exposure_s, context.setting())
            radius_deg = _HINT_DEG[min(attempt, len(_HINT_DEG)) - 1]
            found = await context.solve(shot, target, radius_deg)
            if not isinstance(found, Solution):
                reason = f"{found.reason} ({shot.sight.stars} stars)"
                continue
            solution = found
            error_arcsec = 3600.0 * float(
                separation_deg(found.ra_deg, found.dec_deg, target.ra_deg, target.dec_deg)
            )
            if error_arcsec <= settings.within_arcsec:
                self._note(context, target.name, attempt, error_arcsec, found, None)
                return
            reason = f"still {error_arcsec:.0f} arcsec off, allowed {settings.within_arcsec:g}"
            mount = context.device(context.rig.mount, "mount")
            sync = Sync(ra_deg=found.ra_deg % 360.0, dec_deg=found.dec_deg)
            await mount.do(sync, timeout_s=20.0)
            side = context.mount_state().pier_side
            await _point(context, target.ra_deg, target.dec_deg, _side({"pier_side": side}))
            motion_ended(context, f"centring on {target.name}")
        self._note(context, target.name, settings.attempts, error_arcsec, solution, reason)
        raise DutyFailedError(
            "sky",
            "not_centred",
            f"{target.name} could not be centred in {settings.attempts} attempts: {reason}",
        )

    def _note(
        self,
        context: DutyContext,
        target: str,
        attempts: int,
        error_arcsec: float | None,
        solution: Solution | None,
        reason: str | None,
    ) -> None:
        context.note(
            Centred(
                target=target,
                ok=reason is None,
                attempts=attempts,
                error_arcsec=error_arcsec,
                rotation_deg=solution.rotation_deg if solution else None,
                scale_arcsec=solution.scale_arcsec if solution else None,
                reason=reason,
            )
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
        await _point(context, target.ra_deg, target.dec_deg, "east")
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
        await mount.do(Track(on=False), timeout_s=30.0)
        await mount.until(lambda state: not state.tracking, timeout_s=20.0)
        motion_ended(context, "tracking")
