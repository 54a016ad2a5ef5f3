"""Readies the optics for work by hand at set-up time."""

from __future__ import annotations

from midwatch.devices.contract.kinds import Cover, Move
from midwatch.sequencer.duties import DutyContext, stop_guiding

_COVER_S = 60.0
_FOCUS_S = 300.0


async def ready_optics(context: DutyContext, *, focus: bool) -> None:
    """Let go of guiding and take the cover off.

    Args:
        context: of the duty.
        focus: send the focuser to where the rig file has it begin.

    Raises:
        MidwatchError: a device does not do its part.
    """
    await stop_guiding(context)
    panel = context.rig.flat_panel
    if panel is not None and panel.state is not None and panel.state.cover == "closed":
        await panel.do(Cover(closed=False), timeout_s=_COVER_S)
    if not focus:
        return
    settings = context.night.rig.focus
    focuser = context.device(context.rig.focuser, "focuser")
    # From below, as all focus positions are approached.
    for position in (settings.start_position - settings.backlash_steps, settings.start_position):
        await focuser.do(Move(position=max(0, position)), timeout_s=_FOCUS_S)
