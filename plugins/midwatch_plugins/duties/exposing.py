"""Take one light frame of a target."""

from __future__ import annotations

from typing import ClassVar

from midwatch.api import (
    Args,
    Cause,
    DutyContext,
    DutyFailedError,
    FrameBegun,
    SelectFilter,
    keep_frame,
)
from midwatch_plugins.duties.focusing import approach, filter_shift, selected_filter

_WHEEL_S = 90.0


class ExposeLight:
    """Bring the filter in, expose, file and grade."""

    name: ClassVar[str] = "expose"
    cause: ClassVar[Cause] = "read_out"
    repeatable: ClassVar[bool] = False

    async def perform(self, context: DutyContext, args: Args) -> None:
        """Take the next frame of a frame order; an interrupted one is journaled as lost."""
        target = context.target(str(args["target"]))
        index = int(args["order_index"] or 0)
        order = target.order.frames[index]
        await bring_filter(context, order.filter)
        await hold_focus(context)
        setting = context.setting(order)
        await keep_frame(
            context,
            FrameBegun(
                exposure_id=context.darkroom.identify(),
                frame="light",
                target=target.name,
                order_index=index,
                filter=order.filter,
                exposure_s=order.exposure_s,
                gain=setting.gain,
                offset=setting.offset,
                binning=setting.binning,
            ),
        )


async def bring_filter(context: DutyContext, name: str | None) -> None:
    """Select a filter and wait until the wheel confirms it; None leaves the wheel alone."""
    if name is None or selected_filter(context) == name:
        return
    wheel = context.device(context.rig.filter_wheel, "filter_wheel")
    context.activity("changing_filter", name)
    await wheel.do(SelectFilter(name=name), timeout_s=_WHEEL_S)
    try:
        await wheel.until(lambda state: state.selected == name, timeout_s=15.0)
    except TimeoutError as error:
        raise DutyFailedError(
            "filter_wheel", "wrong_filter", f"the filter wheel does not confirm filter {name}"
        ) from error


async def hold_focus(context: DutyContext) -> None:
    """Bring the focuser to the last good focus for the present filter, if it is not there.

    It is not after a change of filter, nor after a focus run that was interrupted half-way.
    """
    focus = context.record.focus
    if focus is None or focus.run.best_position is None:
        return
    wanted = focus.run.best_position + filter_shift(context, focus.run.filter)
    state = context.rig.focuser.state
    if state is not None and state.position != wanted:
        await approach(context, wanted)
