"""The moment for a refocus that costs least: whether to bring it forward, or to let it wait.

Pure functions of the world, asked by `decide`.
"""

from __future__ import annotations

import math

from midwatch.sequencer.decision.duty_args import FocusArgs
from midwatch.sequencer.decision.offers import Offer
from midwatch.sequencer.decision.world import StandingDue, TargetView, World

__all__ = ["cheap_focus", "focus_args", "worth_waiting"]

# A refocus waits for a break that is no further than this many frames, and no longer than this.
# Less: the stars, guiding and the filter are got ready twice; more: defocus has time to grow.
JOIN_FRAMES, JOIN_WITHIN_S = 2, 1500.0
# It waits only while its cause stays below so many times what makes it due.
MOST_URGENCY = 1.3
# After a change of target, a flip or a pause it comes early, once its cause has gone so far.
EARLY_URGENCY = 0.7


def focus_args(best: Offer | None, trigger: str) -> FocusArgs:
    """Return the arguments of a focus run: what asked for it, and the filter that comes next."""
    return FocusArgs(trigger=trigger, filter=best.need.filter if best is not None else None)


def cheap_focus(world: World, best: Offer) -> tuple[str, FocusArgs] | None:
    """Return why to focus before the next exposure and with what arguments, or None.

    Asked when the target is centred. While guiding is still off, as after a change of target or a
    flip, nothing else has to be given up for a run.
    """
    focus, ready = world.focus, world.ready
    if not ready.focused:
        return "not focused yet", focus_args(best, "first")
    if focus.after_flip:
        return "the telescope was flipped since the last focus run", focus_args(best, "flip")
    if best.need.filter in focus.strange_filters:
        reason = f"the focus offset of filter {best.need.filter} is neither declared nor learned"
        return reason, focus_args(best, "filter")
    settling_in = ready.has_guider and not ready.guiding
    if settling_in and focus.urgency >= EARLY_URGENCY:
        reason = f"{focus.message}; due soon, and guiding has not begun yet"
        return reason, focus_args(best, focus.rule)
    return None


def worth_waiting(world: World, best: Offer | None, due: StandingDue) -> str | None:
    """Say for which break a refocus that is due had better wait, or None when it should be now.

    What made it due is taken to go on growing as it has since the last run.
    """
    ahead = next_break(world, best) if best is not None else None
    if ahead is None:
        return None
    at_s, what = ahead
    wait_s = at_s - world.now_s
    if wait_s > JOIN_WITHIN_S:
        return None
    since_s = world.focus.since_s
    passed_s = world.now_s - since_s if since_s is not None else 0.0
    urgency = due.urgency * (1.0 + wait_s / max(passed_s, 1.0))
    # Negated so that a value that is no number does not wait.
    if not urgency <= MOST_URGENCY:
        return None
    return f"waiting {wait_s / 60.0:.0f} min for {what}, {urgency:.2f} of what makes it due by then"


def next_break(world: World, best: Offer) -> tuple[float, str] | None:
    """Return when the next break in the series of frames comes and what it is, or None.

    Only breaks after at most `JOIN_FRAMES` frames are found.
    """
    if best.action == "flip":
        return world.now_s, "the meridian flip"
    if best.target != world.pointing.target:
        return world.now_s, f"the change to {best.target}"
    target = next((t for t in world.targets if t.name == best.target), None)
    if best.action != "frames" or target is None:
        return None
    frame_s = best.need.exposure_s + world.takes_s("expose")
    if not frame_s > 0.0:
        return None
    breaks = [
        (frames, what)
        for frames, what in (
            (_frames_before(world, target, frame_s), "the meridian flip"),
            (sum(need.remaining for need in target.needs), "the change of target"),
            (_frames_of_filter(target), "the change of filter"),
        )
        if frames is not None and frames <= JOIN_FRAMES
    ]
    if not breaks:
        return None
    frames, what = min(breaks, key=lambda found: found[0])
    return world.now_s + frames * frame_s, what


def _frames_before(world: World, target: TargetView, frame_s: float) -> int | None:
    """Return how many frames fit before the flip; None where none is ahead."""
    mount, side, now = world.mount, world.pointing.pier_side, world.now_s
    if mount.turnover(target, side, now) is None:
        return None
    free_s = mount.limit_s(target, side, now) - now - world.margin_s
    return max(0, math.floor(free_s / frame_s))


def _frames_of_filter(target: TargetView) -> int | None:
    """Return how many frames are left with the filter of the next; None if all have the same."""
    if not target.needs:
        return None
    now, *later = target.needs
    if all(need.filter == now.filter for need in later):
        return None
    return now.remaining
