"""The rules of the night's phases: its evening, its open sky, its end."""

from __future__ import annotations

from midwatch.instants import instant
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
    CalibrateArgs,
    CloseArgs,
    FinishArgs,
    OpenArgs,
    PrepareArgs,
    SecureArgs,
    WaitArgs,
)
from midwatch.sequencer.decision.world import CalibrationNeed, World

__all__ = ["end_of_night", "evening", "open_sky", "over"]

# Calibration frames wait so long for a camera that is gone, parked and under a closed roof, and are
# taken until so long after dawn. Too short: a night is left without darks; too long: a camera that
# will not come back stays cold.
CALIBRATE_FOR_S = 3600.0


def evening(world: World) -> Decision | None:
    """Return what comes before it is dark enough to work."""
    hours, ready, now = world.hours, world.ready, world.now_s
    if now < hours.prepare_from_s:
        reason = f"preparation begins at {instant(hours.prepare_from_s)}"
        return hold(world, "phase", reason, hours.prepare_from_s, "not_started")
    if not ready.prepared:
        again = blocked(world, "prepare")
        if again is not None:
            return hold(world, "phase", "the rig is not fit yet", again, "fault")
        return decided(PrepareArgs(), "phase", "the night is near: cool the camera")
    if now < hours.work_from_s:
        reason = f"dark enough to work at {instant(hours.work_from_s)}"
        return hold(world, "phase", reason, hours.work_from_s, "waiting_for_target")
    return None


def open_sky(case: Case) -> Decision | None:
    """Return what keeps the sky out, or lets it in."""
    world = case.world
    if world.operator.paused:
        return decided(WaitArgs(), "operator", "paused by the operator", cause="paused")
    if not world.safety.safe:
        return decided(WaitArgs(), "safety", world.safety.reason, cause="unsafe")
    if not world.ready.roof_open and case.board.best is not None:
        again = blocked(world, "open")
        if again is not None:
            return hold(world, "phase", "the roof did not open; trying again", again, "fault")
        return decided(
            OpenArgs(), "phase", f"{case.board.best.target} can be imaged; open the roof"
        )
    return None


def over(case: Case) -> str | None:
    """Say why the night's lights are over, or None while they are not."""
    world = case.world
    if world.operator.close is not None:
        return world.operator.close
    if world.now_s >= world.hours.dawn_s:
        return f"the sky is no longer dark since {instant(world.hours.dawn_s)}"
    closing = next((d for d in world.standing if d.do == "close"), None)
    if closing is not None:
        return closing.message
    if world.unguided is not None and world.unguided.do == "close":
        return f"guiding cannot be had, and the orders end the night: {world.unguided.reason}"
    if case.board.best is None and case.board.again_at_s is None:
        return "nothing that was ordered can be imaged in the rest of this night"
    return None


def end_of_night(world: World, reason: str) -> Decision:
    """Return what is left to do: calibration frames behind a closed roof, then closing."""
    if world.calibration and world.operator.close is None and not world.ready.putting_away:
        step = _calibration(world, reason)
        if step is not None:
            return step
    if any(fault.given_up and "close" in fault.blocks for fault in world.faults):
        return decided(FinishArgs(), "phase", _left_undone(world))
    again = blocked(world, "close")
    if again is not None:
        return hold(world, "phase", "closing failed; trying again", again, "closing")
    return decided(CloseArgs(), "phase", reason)


def _left_undone(world: World) -> str:
    """Say what is not as it should be at the end of a night, and what is."""
    failed = why(world, "close")
    if exposed(world):
        return f"the rig could not be closed: a person must look at it ({failed})"
    return f"the rig is parked and closed, but not all is at rest: look at it by day ({failed})"


def _calibration(world: World, reason: str) -> Decision | None:
    """Return what calibration frames want next, or None where they cannot be had any more."""
    if exposed(world):
        if blocked(world, "secure") is not None:
            return None
        return decided(SecureArgs(), "phase", f"{reason}; park and close before calibration")
    duty = "calibrate" if world.ready.prepared else "prepare"
    need: CalibrationNeed | None = world.calibration[0]
    again = blocked(world, duty)
    if again is not None:
        need = _without_panel(world) if world.ready.prepared else None
        if need is None:
            if not _worth_waiting(world, duty):
                return None
            what = f"{reason}; calibration frames wait: {why(world, duty)}"
            return hold(world, "phase", what, again, "fault")
    if duty == "prepare":
        return decided(PrepareArgs(), "phase", f"{reason}; calibration frames want a cold camera")
    assert need is not None
    args = CalibrateArgs(
        frame=need.frame,
        filter=need.filter,
        exposure_s=need.exposure_s,
        gain=need.gain,
        offset=need.offset,
        binning=need.binning,
        count=need.remaining,
        sensor_c=need.sensor_c,
    )
    return decided(args, "phase", f"{reason}; {need.frame} frames to match the lights")


def _without_panel(world: World) -> CalibrationNeed | None:
    """Return a set that can be had although flats cannot, if only flats are held up."""
    blocking = {fault.device for fault in world.faults if "calibrate" in fault.blocks}
    if not blocking <= {"flat_panel", "filter_wheel"}:
        return None
    return next((need for need in world.calibration if need.frame != "flat"), None)


def _worth_waiting(world: World, duty: str) -> bool:
    """Return whether what holds calibration up is young enough to be waited for."""
    began_s = [fault.since_s for fault in world.faults if duty in fault.blocks]
    late = world.now_s >= world.hours.dawn_s + CALIBRATE_FOR_S
    return not late and all(world.now_s < at_s + CALIBRATE_FOR_S for at_s in began_s)
