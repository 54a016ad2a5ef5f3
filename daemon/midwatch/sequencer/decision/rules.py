"""What to do next, and why: a pure and total function of the world.

The rules are asked in a fixed order and the first that has an answer decides: safety, limits,
faults, the phase of the night, standing orders, the next frame of the best target, waiting.
Whatever was considered and not taken is in ``ruled_out`` with its reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from midwatch.instants import instant
from midwatch.journal.facts import Cause
from midwatch.sequencer.decision.cases import (
    Case,
    Decision,
    blocked,
    decided,
    exposed,
    hold,
    why,
)
from midwatch.sequencer.decision.duty_args import (
    CentreArgs,
    CloseArgs,
    ConnectArgs,
    CoreArgs,
    DitherArgs,
    EngineWord,
    ExposeArgs,
    FinishArgs,
    FlipArgs,
    GuideArgs,
    HaltArgs,
    LessCoolingArgs,
    PowerCycleArgs,
    ReconnectArgs,
    RestartDriverArgs,
    SecureArgs,
    SlewArgs,
    WaitArgs,
)
from midwatch.sequencer.decision.fault_names import LINK_FAULTS
from midwatch.sequencer.decision.offers import Board, Offer, survey
from midwatch.sequencer.decision.phases import end_of_night, evening, open_sky, over
from midwatch.sequencer.decision.refocus import cheap_focus, focus_args, worth_waiting
from midwatch.sequencer.decision.world import StandingDue, World

__all__ = ["Case", "Decide", "Decision", "Rule", "choose", "decide", "preempt"]

Rule = Callable[[Case], Decision | None]
Decide = Callable[[World], Decision]

# Waits shorter than this keep the mount tracking. Too low: motors stop and start for nothing; too
# high: the mount tracks towards its limits for nothing.
REST_AFTER_S = 600.0
# Nothing is parked and closed without them.
_SHELTERING = ("mount", "roof")
# What a dither by the mount does without.
_GUIDING = ("guider", "guide_camera")
# Remedies that need no sky.
_ANYTIME = (ReconnectArgs, RestartDriverArgs, PowerCycleArgs, LessCoolingArgs, EngineWord)


def decide(world: World) -> Decision:
    """Choose the next duty. Pure, total, deterministic; never blocks, never raises."""
    case = Case(world, survey(world))
    return choose(case, (_phase, _standing, _next_frame), _waiting)


def choose(case: Case, rules: Iterable[Rule], otherwise: Callable[[Case], Decision]) -> Decision:
    """Ask what keeps the rig safe first, then these rules in order; the first answer decides.

    Whatever else a rig is used for than a night of frames: there is no way past the first four.
    """
    for rule in (_safety, _shelter, _limits, _faults, *rules):
        decision = rule(case)
        if decision is not None:
            break
    else:
        decision = otherwise(case)
    return replace(
        decision,
        until_s=_woken_s(case.world, decision),
        ruled_out=tuple(case.notes) + case.board.ruled_out,
    )


def _woken_s(world: World, decision: Decision) -> float | None:
    """Return when a decision ends at the latest: no wait outlasts a remedy that becomes due."""
    if decision.duty != "wait":
        return decision.until_s
    due = [f.again_at_s for f in world.faults if f.remedy is not None and not f.background]
    ahead = [at_s for at_s in due if at_s > world.now_s]
    return min(ahead if decision.until_s is None else [*ahead, decision.until_s], default=None)


def preempt(world: World, running: Decision, decide: Decide = decide) -> Decision | None:
    """Return what must interrupt the running duty at once, or None to let it finish.

    Only safety, limits, an operator's order to close, standing orders declared ``at_once``, and
    the loss of a device without which it comes to nothing interrupt work; a wait gives way to
    anything else that has become possible.
    """
    if running.duty in ("secure", "close", "finish"):
        return None
    if running.duty == "wait":
        fresh = decide(world)
        return None if fresh.same_as(running) else fresh
    case = Case(world, Board())
    # A roof that is only silent stays where it is; what is under way goes on.
    silent = "roof" in world.ready.missing
    for rule in (_safety, _limits) if silent else (_safety, _shelter, _limits):
        urgent = rule(case)
        if (
            urgent is not None
            and urgent.duty != running.duty
            and not _helps(world, running, urgent)
        ):
            return urgent
    if world.operator.close is not None and running.duty != "calibrate":
        return decided(CloseArgs(), "operator", world.operator.close)
    for due in world.standing:
        if due.at_once and due.do != running.duty:
            return _ordered(due, None)
    for fault in world.faults:
        if running.duty in fault.stops and running.rule != "faults":
            return decided(WaitArgs(), "faults", fault.message, until_s=world.now_s)
    target = running.target
    if target is not None and all(t.name != target for t in world.targets):
        reason = f"{target} was taken out of the orders"
        return decided(WaitArgs(), "operator", reason, until_s=world.now_s)
    if any(t.skipped and t.name == target for t in world.targets):
        return decided(WaitArgs(), "operator", f"{target} was skipped", until_s=world.now_s)
    return None


def _helps(world: World, running: Decision, urgent: Decision) -> bool:
    """Return whether the running duty is a remedy for what keeps the rig from being made safe."""
    if running.rule != "faults":
        return False
    failed = any("secure" in fault.blocks for fault in world.faults)
    return urgent.duty != "secure" or (failed and running.device in _SHELTERING)


def _safety(case: Case) -> Decision | None:
    world = case.world
    ready = world.ready
    if world.safety.safe or ready.closed_up or not ready.connected or not exposed(world):
        return None
    again = blocked(world, "secure")
    if again is not None or any(f.remedy and "secure" in f.blocks for f in world.faults):
        remedy = _faults(case)
        if remedy is not None or over(case) is not None:
            return remedy
    if again is not None:
        return hold(world, "safety", "the rig could not be secured; trying again", again, "unsafe")
    return decided(SecureArgs(), "safety", world.safety.reason)


def _shelter(case: Case) -> Decision | None:
    """Nothing is out of its park position under a roof that is not said to be open."""
    world, ready = case.world, case.world.ready
    covered = ready.has_roof and not ready.roof_open and ready.connected and not ready.closed_up
    # Whether a mount whose link is not open is parked cannot be known, or changed.
    lost = any(f.device == "mount" and f.held and f.fault in LINK_FAULTS for f in world.faults)
    out = not world.pointing.parked and "mount" not in ready.missing and not lost
    if not (covered and out) or blocked(world, "secure") is not None:
        return None
    reason = "the roof does not say that it is open; park under it"
    if "roof" in ready.missing:
        if blocked(world, "open") is None:
            return None
        reason = "it is not known whether the roof is still open; park under it"
    # Whether it is open or shut, there it is best left: who opens it next sees what it does.
    return decided(SecureArgs(roof="leave"), "safety", reason)


def _limits(case: Case) -> Decision | None:
    world = case.world
    pointing = world.pointing
    if pointing.tracking and pointing.limit_at_s - world.now_s <= world.margin_s:
        reason = f"{pointing.limit or 'a limit'} is reached at {instant(pointing.limit_at_s)}"
        return decided(HaltArgs(), "limits", reason)
    return None


def _faults(case: Case) -> Decision | None:
    world = case.world
    if world.ready.closed_up:
        return None
    for fault in world.faults:
        if fault.remedy is None or fault.background:
            continue
        remedy = fault.remedy
        if not isinstance(remedy, _ANYTIME) and not _under_the_stars(case):
            case.notes.append((remedy.duty, f"{fault.message}; it needs a target under the sky"))
            continue
        if fault.again_at_s > world.now_s:
            wait = f"{fault.message}; next at {instant(fault.again_at_s)}"
            case.notes.append((remedy.duty, wait))
            continue
        cause: Cause | None = "fault" if isinstance(remedy, WaitArgs) else None
        message = f"{fault.device}: {fault.message}"
        return decided(remedy, "faults", message, cause=cause, fault_id=fault.fault_id)
    return None


def _under_the_stars(case: Case) -> bool:
    """Return whether the rig points at a target that may be looked at now."""
    world = case.world
    dark = world.hours.work_from_s <= world.now_s < world.hours.dawn_s
    allowed = world.safety.safe and not world.operator.paused and over(case) is None
    return dark and allowed and world.ready.roof_open and world.pointing.tracking


def _phase(case: Case) -> Decision | None:
    world = case.world
    hours, ready, now = world.hours, world.ready, world.now_s
    if ready.closed_up:
        return decided(FinishArgs(), "phase", "the rig is parked, closed and warm")
    if not ready.connected:
        again = blocked(world, "connect")
        if again is None:
            return decided(ConnectArgs(), "phase", "bring the devices up and see that they answer")
        if now < hours.dawn_s and world.operator.close is None:
            return hold(world, "phase", "devices are missing; trying again", again, "fault")
    reason = over(case)
    if reason is not None:
        return end_of_night(world, reason)
    return evening(world) or open_sky(case)


def _standing(case: Case) -> Decision | None:
    world = case.world
    for due in world.standing:
        again = blocked(world, due.do)
        if again is not None:
            case.notes.append((due.do, f"{due.message}; failed before, again at {instant(again)}"))
        elif due.do == "wait":
            cause: Cause = "clouds" if due.when == "clouds" else "standing_order"
            return decided(WaitArgs(), "standing_order", due.message, cause=cause)
        elif due.do == "focus" and (wait := _focus_may_wait(case, due)) is not None:
            case.notes.append(("focus", f"{due.message}; {wait}"))
        else:
            return _ordered(due, case.board.best)
    return None


def _ordered(due: StandingDue, best: Offer | None) -> Decision:
    args = focus_args(best, due.when) if due.do == "focus" else due.args
    return Decision(due.do, "standing_order", due.message, args, cause="standing_order")


def _focus_may_wait(case: Case, due: StandingDue) -> str | None:
    """Say why a refocus that is due is not done now, or None when it is."""
    world = case.world
    on_target = world.pointing.centred and world.pointing.tracking
    if not (on_target and world.ready.focused):
        return "focusing comes with the next target anyway"
    if _hidden(world):
        return "no stars are seen in this direction"
    return None if due.at_once else worth_waiting(world, case.board.best, due)


def _hidden(world: World) -> bool:
    """Return whether the rig points at a target near the horizon that seems to be hidden."""
    return any(
        target.name == world.pointing.target and target.hidden_until_s > world.now_s
        for target in world.targets
    )


def _next_frame(case: Case) -> Decision | None:
    world = case.world
    best = case.board.best
    if best is None:
        return None
    if best.action == "wait":
        reason = f"{best.target}: {best.reason}"
        return hold(world, "next_frame", reason, best.start_s, "waiting_for_meridian")
    step = _towards(case, best)
    if step is not None:
        return step
    if world.now_s < best.window[0]:
        reason = f"{best.target} may be imaged from {instant(best.window[0])}"
        return hold(world, "next_frame", reason, best.window[0], "waiting_for_target")
    if world.unguided is not None and world.unguided.do == "rest":
        reason = f"guiding cannot be had: {world.unguided.reason}"
        return hold(world, "next_frame", reason, world.unguided.again_at_s, "fault")
    again = blocked(world, "expose")
    if again is not None:
        return hold(world, "next_frame", f"{why(world, 'expose')}; trying again", again, "fault")
    need = best.need
    args = ExposeArgs(
        target=best.target,
        order_index=need.index,
        filter=need.filter,
        exposure_s=need.exposure_s,
    )
    frames = "frame" if need.remaining == 1 else "frames"
    reason = f"{need.remaining} {frames} of {need.exposure_s:g} s still wanted; {best.reason}"
    if world.unguided is not None:
        reason = (
            f"unguided, stars stay round for {world.unguided.longest_s:.0f} s, so frames are of "
            f"{need.exposure_s:g} s; {best.reason}"
        )
    return decided(args, "next_frame", reason)


def _towards(case: Case, best: Offer) -> Decision | None:
    """Return what must be done before the best target's next exposure, or None."""
    world = case.world
    pointing, ready = world.pointing, world.ready

    def unless_blocked(args: CoreArgs, reason: str, spare: tuple[str, ...] = ()) -> Decision | None:
        again = blocked(world, args.duty, spare, best.target)
        if again is None:
            return decided(args, "next_frame", reason)
        case.notes.append((args.duty, f"failed before; again at {instant(again)}"))
        return None

    if pointing.target != best.target or not pointing.tracking:
        side = None if best.side == "unknown" else best.side
        slew = SlewArgs(target=best.target, pier_side=side)
        step = unless_blocked(slew, f"best target now: {best.reason}")
        return step or hold(
            world, "next_frame", "the mount refused; trying again", world.now_s + 30, "fault"
        )
    if best.action == "flip":
        step = unless_blocked(FlipArgs(target=best.target), best.reason)
        return step or hold(
            world, "next_frame", "the flip failed; trying again", world.now_s + 30, "fault"
        )
    if not pointing.centred:
        lost = "it is not known where the mount points: it was lost, or frames show no field"
        reason = lost if pointing.doubted else "the field is not centred yet"
        step = unless_blocked(CentreArgs(target=best.target), reason)
        return step or hold(
            world, "next_frame", "centring failed; trying again", world.now_s + 30, "fault"
        )
    focus = None if _hidden(world) else cheap_focus(world, best)
    if focus is not None and (step := unless_blocked(focus[1], focus[0])) is not None:
        return step
    if ready.has_guider and not ready.guiding:
        step = unless_blocked(GuideArgs(), "guiding is off")
        if step is not None:
            return step
    if best.need.dither_due and world.now_s >= best.window[0]:
        if ready.guiding:
            return unless_blocked(DitherArgs(), "a dither is due between frames")
        reason = "a dither is due between frames; without guiding the mount is moved"
        return unless_blocked(DitherArgs(by="mount"), reason, spare=_GUIDING)
    return None


def _waiting(case: Case) -> Decision:
    world = case.world
    again = case.board.again_at_s if case.board.again_at_s is not None else world.now_s + 60.0
    if world.pointing.tracking and again - world.now_s > REST_AFTER_S:
        return decided(HaltArgs(), "waiting", "nothing to image for a while; stop tracking")
    reason = f"no target can be imaged before {instant(again)}"
    # A target that rests after failures, or a mount that goes to the wrong side of its pier.
    held = {target.blocked_until_s for target in world.targets} | {world.pointing.contrary_until_s}
    return hold(world, "waiting", reason, again, "fault" if again in held else "waiting_for_target")
