"""What a polar alignment does next, and why: the night's own rules, and an alignment's few steps.

A pure function of the world, as `decide` is. Safety, shelter, limits and remedies come first and
are those of the night. What an alignment adds is that nothing is waited for: whatever stops it
ends it, and the rig is parked and closed.
"""

from __future__ import annotations

from dataclasses import replace

from midwatch.sequencer.decision import (
    Board,
    Case,
    CloseArgs,
    ConnectArgs,
    Decision,
    FinishArgs,
    NamedArgs,
    OpenArgs,
    World,
    blocked,
    choose,
    hold,
    over,
    why,
)

__all__ = ["ALIGN", "AlignArgs", "decide_alignment"]

# The name of the duty that measures and guides.
ALIGN = "align"
# So long the first good weather reading is waited for. Too short: a sensor that reads once a minute
# and has just been switched on counts as silent; too long: a person waits for nothing.
FIRST_READING_S = 180.0
# In safe weather closing is tried for so long before only the person can help, who is there. Too
# short: a driver that is started again comes too late; too long: the person waits without hope.
CLOSE_FOR_S = 600.0
_STEPS = ("connect", "open", ALIGN)


class AlignArgs(NamedArgs):
    """Measure the axis, and guide the person at its knobs."""

    duty = ALIGN


def decide_alignment(world: World) -> Decision:
    """Choose the next duty of an alignment. Pure, total, deterministic."""
    # No target is ordered, and no guiding: by itself only daylight ends it.
    board = Board(again_at_s=world.hours.dawn_s)
    return choose(Case(replace(world, unguided=None), board), (), _step)


def _step(case: Case) -> Decision:
    world, ready = case.world, case.world.ready
    if ready.closed_up:
        return Decision("finish", "phase", "the rig is parked and closed", FinishArgs())
    reason = over(case) or _in_the_way(world)
    if reason is not None:
        return _ending(world, reason)
    if not ready.connected:
        reason = "bring the devices up and see that they answer"
        return Decision("connect", "phase", reason, ConnectArgs(spool="leave"))
    if not world.safety.safe:
        until_s = world.hours.work_from_s + FIRST_READING_S
        return hold(world, "safety", world.safety.reason, until_s, "unsafe")
    if not ready.roof_open:
        reason = "the axis is measured on stars; open the roof"
        return Decision("open", "phase", reason, OpenArgs())
    return Decision(ALIGN, "phase", "everything is ready", AlignArgs())


def _in_the_way(world: World) -> str | None:
    """Say what keeps an alignment from going on; what failed once is left to the person."""
    if world.ready.putting_away:
        # Whatever has made it begin may be over by now: there is no way back.
        return "the rig is being put away"
    for duty in _STEPS:
        if any(duty in fault.blocks for fault in world.faults):
            return why(world, duty)
    late = world.now_s >= world.hours.work_from_s + FIRST_READING_S
    if world.ready.connected and not world.safety.safe and late:
        return f"nothing is opened: {world.safety.reason}"
    return None


def _ending(world: World, reason: str) -> Decision:
    failed = [fault for fault in world.faults if "close" in fault.blocks]
    if any(_is_hopeless(world, fault.given_up, fault.since_s) for fault in failed):
        reason = "the rig could not be put away; a person must see to it"
        return Decision("finish", "phase", reason, FinishArgs())
    again = blocked(world, "close")
    if again is not None:
        return hold(world, "phase", "the rig is not put away; trying again", again, "closing")
    return Decision("close", "phase", reason, CloseArgs(for_now=True))


def _is_hopeless(world: World, given_up: bool, since_s: float) -> bool:
    """Return whether to leave closing to the person now; under a bad sky the night's rule."""
    if given_up or not world.ready.connected:
        return True
    return world.safety.safe and world.now_s - since_s >= CLOSE_FOR_S
