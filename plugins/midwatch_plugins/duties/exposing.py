"""Take one light frame of a target."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api.duty import (
    Cause,
    DutyArgs,
    DutyContext,
    ExposeArgs,
    FocusFollowed,
    FrameBegun,
    keep_frame,
)
from midwatch_plugins.duties.filters import bring_filter, selected_filter
from midwatch_plugins.duties.focusing import approach

# Shift, as a share of the critical focus zone, from which a move pays. Smaller: moves before each
# frame for nothing; larger: defocus adds to that of the next frame.
_FOLLOW_ZONES = 0.08


class ExposeLight:
    """Bring the filter in, expose, file and grade."""

    name: ClassVar[str] = "expose"
    cause: ClassVar[Cause] = "read_out"
    takes: ClassVar[type[DutyArgs]] = ExposeArgs

    async def perform(self, context: DutyContext, args: ExposeArgs) -> None:
        """Take the next frame of a frame order; an interrupted one is journaled as lost.

        `exposure_s` in the arguments goes before the order's own: unguided frames are shorter.
        """
        target = context.target(args.target)
        order = target.order.frames[args.order_index]
        await bring_filter(context, order.filter)
        await hold_focus(context, follow=True)
        setting = context.setting(order)
        await keep_frame(
            context,
            FrameBegun(
                exposure_id=context.frame_taker.identify(),
                frame="light",
                target=target.name,
                order_index=args.order_index,
                filter=order.filter,
                exposure_s=args.exposure_s,
                gain=setting.gain,
                offset=setting.offset,
                binning=setting.binning,
            ),
        )


async def hold_focus(context: DutyContext, *, follow: bool = False) -> None:
    """Bring the focuser to where it was last put right, if it is not there.

    It is not after a change of filter, nor after a focus run that was interrupted half-way.

    Args:
        context: of the duty.
        follow: go after the temperature, where what was learned of it can be trusted.
    """
    settled = context.record.settled
    focuser = context.rig.focuser
    if settled is None or focuser.down or focuser.state is None or not focuser.state.connected:
        # A focuser that is gone is where it was: frames are better than none.
        return
    shift, _ = context.focus_model.filter_shift(settled.filter, selected_filter(context))
    wanted = settled.position + round(shift)
    if follow and await _follow(context, wanted):
        return
    state = context.rig.focuser.state
    if state is not None and state.position != wanted:
        await approach(context, wanted)


async def _follow(context: DutyContext, held: int) -> bool:
    """Move after the learned temperature when it pays; returns whether the focuser was moved."""
    model, state = context.focus_model, context.rig.focuser.state
    run = context.focus_memory.last_run
    if not (model.trusted and context.night.rig.focus.follow_temperature):
        return False
    if run is None or state is None or state.temperature_c is None:
        return False
    felt = context.focus_memory.felt(context.now_s, state.temperature_c)
    if felt is None:
        return False
    now = selected_filter(context)
    shift, _ = model.filter_shift(run.filter, now)
    thermal, _ = model.shift(run.felt, felt)
    wanted = max(0, round(run.position + shift + thermal))
    if state.max_position > 0:
        wanted = min(wanted, state.max_position)
    if abs(wanted - held) < _FOLLOW_ZONES * model.scale.zone_steps:
        return False
    context.activity("focusing", "following the temperature")
    await approach(context, wanted)
    context.note(
        FocusFollowed(
            from_position=held,
            position=wanted,
            filter=now,
            temperature_c=state.temperature_c,
            slope_steps_per_c=model.slope_steps_per_c,
            lag_min=model.lag_min,
        )
    )
    return True
