"""What can be imaged while a filter wheel does not turn."""

from __future__ import annotations

from dataclasses import replace

from midwatch.sequencer.decision import FaultView, TargetView

__all__ = ["through_filter", "wheel_is_stuck"]


def wheel_is_stuck(fault: FaultView, now_s: float) -> bool:
    """Return whether a fault keeps the filters from being changed now."""
    return fault.device == "filter_wheel" and (fault.held or fault.again_at_s > now_s)


def through_filter(
    target: TargetView, present: str | None, fault: FaultView, now_s: float
) -> TargetView:
    """Return a target with what can be taken of it through the filter in the beam.

    One of which nothing can is put off until the wheel is looked at again: its frames are still
    wanted.

    Args:
        target: with all its needs.
        present: filter in the beam; None where that is not known.
        fault: of the wheel.
        now_s: POSIX seconds.
    """
    # Frames that are ordered without a filter are taken through any.
    needs = tuple(need for need in target.needs if need.filter in (None, present))
    if needs or not target.needs:
        return replace(target, needs=needs)
    until_s = max(fault.again_at_s, now_s + 15.0, target.blocked_until_s)
    return replace(target, blocked_until_s=until_s, blocked_reason=fault.message)
