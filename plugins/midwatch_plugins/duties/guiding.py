"""Start guiding, and dither between frames."""

from __future__ import annotations

import math
from typing import ClassVar, Literal

from midwatch.api.duty import (
    CallTimeoutError,
    Cause,
    CommandError,
    Dither,
    DitherArgs,
    Dithered,
    DutyArgs,
    DutyContext,
    DutyFailedError,
    GuideArgs,
    GuidingStarted,
    Pulse,
    Settle,
    StartGuiding,
)

# Directions that follow each other by this angle never repeat, and the sum of equal steps along
# them stays on a circle of about half a step: the field spreads evenly and never walks away.
_GOLDEN_ANGLE_RAD = math.pi * (3.0 - math.sqrt(5.0))
# For choosing stars and calibrating, before settling begins.
_START_S = 300.0
# The longest pulse that a mount takes at once.
_PULSE_MS = 10_000
# After a move of some arcseconds; light mounts swing for a second or two.
_SWING_S = 3.0
# Near the pole a degree of right ascension is little of the sky, and pulses would last for ever.
_LEAST_COS = 0.1
_SIDEREAL_ARCSEC_S = 15.041


def _settle(context: DutyContext) -> Settle:
    guiding = context.night.rig.guiding
    return Settle(
        under_arcsec=guiding.calm_within_arcsec,
        hold_s=guiding.calm_for_s,
        timeout_s=guiding.calm_timeout_s,
    )


class Guide:
    """Start guiding and wait until it has settled."""

    name: ClassVar[str] = "guide"
    cause: ClassVar[Cause] = "guiding"
    takes: ClassVar[type[DutyArgs]] = GuideArgs

    async def perform(self, context: DutyContext, args: GuideArgs) -> None:
        """Journal how it went; a failure leaves the choice of going on unguided."""
        await start_guiding(context)


async def start_guiding(context: DutyContext, *, recalibrate: bool = False) -> None:
    """Start guiding, wait until it has settled, and journal how it went.

    Raises:
        DutyFailedError: it did not start, or not settle.
    """
    guider = context.device(context.rig.guider, "guider")
    settle = _settle(context)
    command = StartGuiding(settle=settle, recalibrate=recalibrate)
    try:
        await guider.do(command, timeout_s=_START_S + settle.timeout_s)
    except (CommandError, CallTimeoutError) as error:
        context.note(GuidingStarted(ok=False, rms_arcsec=None, reason=str(error)))
        raise DutyFailedError("guider", "no_guiding", f"guiding did not start: {error}") from error
    state = guider.state
    rms = None
    if state is not None and state.rms_ra_arcsec is not None:
        rms = math.hypot(state.rms_ra_arcsec, state.rms_dec_arcsec or 0.0)
    context.note(GuidingStarted(ok=True, rms_arcsec=rms))


class DitherField:
    """Shift the field a little, so that faults of the sensor do not add up."""

    name: ClassVar[str] = "dither"
    cause: ClassVar[Cause] = "dithering"
    takes: ClassVar[type[DutyArgs]] = DitherArgs

    async def perform(self, context: DutyContext, args: DitherArgs) -> None:
        """Shift and settle; the amount is journaled."""
        size_arcsec = context.night.rig.guiding.dither_px * context.analysis.scale_arcsec
        angle = _GOLDEN_ANGLE_RAD * context.record.dithers
        east, north = size_arcsec * math.cos(angle), size_arcsec * math.sin(angle)
        if args.by == "mount":
            await _move_mount(context, east, north)
            return
        guider = context.device(context.rig.guider, "guider")
        settle = _settle(context)
        command = Dither(east_arcsec=east, north_arcsec=north, settle=settle)
        began_s = context.clock.mono()
        try:
            await guider.do(command, timeout_s=settle.timeout_s + 60.0)
        except (CommandError, CallTimeoutError) as error:
            raise DutyFailedError(
                "guider", "not_settled", f"guiding did not settle after a dither: {error}"
            ) from error
        context.note(
            Dithered(
                east_arcsec=east,
                north_arcsec=north,
                settle_s=context.clock.mono() - began_s,
            )
        )


async def _move_mount(context: DutyContext, east_arcsec: float, north_arcsec: float) -> None:
    """Shift the field by guide pulses, and wait until the mount has stopped swinging.

    Which way a pulse north goes on the other side of the pier is no matter here.

    Raises:
        DutyFailedError: the mount does not take them.
    """
    mount = context.device(context.rig.mount, "mount")
    pace = _SIDEREAL_ARCSEC_S * context.night.rig.guiding.guide_rate
    narrow = max(math.cos(math.radians(context.mount_state().dec_deg)), _LEAST_COS)
    began_s = context.clock.mono()
    moves: tuple[tuple[Literal["east", "west", "north", "south"], float], ...] = (
        ("east" if east_arcsec > 0.0 else "west", abs(east_arcsec) / narrow),
        ("north" if north_arcsec > 0.0 else "south", abs(north_arcsec)),
    )
    for direction, way_arcsec in moves:
        left_ms = round(1000.0 * way_arcsec / pace)
        while left_ms > 0:
            length_ms = min(left_ms, _PULSE_MS)
            pulse = Pulse(direction=direction, duration_ms=length_ms)
            try:
                await mount.do(pulse, timeout_s=length_ms / 1000.0 + 20.0)
            except CommandError as error:
                raise DutyFailedError(
                    "mount",
                    "no_dither",
                    "the mount takes no guide pulses, so unguided frames are not dithered: "
                    f"{error}",
                ) from error
            left_ms -= length_ms
    await context.clock.sleep(_SWING_S)
    context.note(
        Dithered(
            east_arcsec=east_arcsec,
            north_arcsec=north_arcsec,
            settle_s=context.clock.mono() - began_s,
            by="mount",
        )
    )
