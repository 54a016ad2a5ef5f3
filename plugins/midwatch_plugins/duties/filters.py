"""Bring a filter into the beam, and report what is learned of its focus."""

from __future__ import annotations

from collections.abc import Collection

from midwatch.api.duty import DutyContext, DutyFailedError, Notice, SelectFilter

_WHEEL_S = 90.0


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


def selected_filter(context: DutyContext) -> str | None:
    """Return the filter in the beam, or None without a wheel."""
    wheel = context.rig.filter_wheel
    return wheel.state.selected if wheel is not None and wheel.state is not None else None


def propose_offsets(context: DutyContext, proposed: Collection[str]) -> None:
    """Report the focus offsets that a run has made known; what is declared is never touched.

    Args:
        context: of the duty.
        proposed: filters whose offsets were known before the run.
    """
    for name, offset in sorted(context.focus_model.proposals().items()):
        if name not in proposed:
            context.note(
                Notice(
                    message=f"the focus offset of filter {name} is learned: {offset.steps:+.0f} +- "
                    f"{offset.sigma_steps:.0f} steps from {offset.runs} runs; to declare it, write "
                    f"{name}: {offset.steps:.0f} under filter_offsets in the rig file"
                )
            )
