"""Start guiding, and dither between frames."""

from __future__ import annotations

import math
from typing import ClassVar

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
    Settle,
    StartGuiding,
)

# Directions that follow each other by this angle never repeat, and the sum of equal steps along
# them stays on a circle of about half a step: the field spreads evenly and never walks away.
_GOLDEN_ANGLE_RAD = math.pi * (3.0 - math.sqrt(5.0))
# For choosing stars and calibrating, before settling begins.
_START_S = 300.0


def _settle(context: DutyContext) -> Settle:
    guiding = context.night.rig.guiding
    return Settle(
        under_arcsec=guiding.settle_arcsec,
        hold_s=guiding.settle_hold_s,
        timeout_s=guiding.settle_timeout_s,
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
    """Shift the guiding target a little, so that faults of the sensor do not add up."""

    name: ClassVar[str] = "dither"
    cause: ClassVar[Cause] = "dithering"
    takes: ClassVar[type[DutyArgs]] = DitherArgs

    async def perform(self, context: DutyContext, args: DitherArgs) -> None:
        """Shift and settle; the amount is journaled."""
        guider = context.device(context.rig.guider, "guider")
        size_arcsec = context.night.rig.guiding.dither_px * context.analysis.scale_arcsec
        angle = _GOLDEN_ANGLE_RAD * len(context.record.frames)
        east, north = size_arcsec * math.cos(angle), size_arcsec * math.sin(angle)
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
