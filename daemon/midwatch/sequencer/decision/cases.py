"""What rules of decisions work with: a decision, the case that they are asked about, and holds."""

from __future__ import annotations

from dataclasses import dataclass, field

from pydantic import JsonValue

from midwatch.journal.facts import Cause
from midwatch.sequencer.decision.duty_args import DutyArgs, NamedArgs, OfTarget, WaitArgs
from midwatch.sequencer.decision.offers import Board
from midwatch.sequencer.decision.world import World

__all__ = ["Case", "Decision", "blocked", "decided", "exposed", "hold", "why"]

# A duty that a fault holds up for as long as it is open is looked at again after this.
HELD_S = 15.0


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision.

    Attributes:
        duty: what to do; "finish" ends the night.
        rule: which rule decided.
        reason: why, for a person.
        args: of the duty, in the model that it takes.
        fault_id: the fault against which this is a remedy; None where it is none.
        until_s: a wait ends then at the latest; None waits for an event.
        cause: what a wait is accounted under.
        ruled_out: (option, reason) of what was considered and not taken.
    """

    duty: str
    rule: str
    reason: str
    args: DutyArgs
    fault_id: str | None = None
    until_s: float | None = None
    cause: Cause | None = None
    ruled_out: tuple[tuple[str, str], ...] = ()

    @property
    def target(self) -> str | None:
        """The target that the duty works on, if it works on one."""
        return self.args.target if isinstance(self.args, OfTarget) else None

    @property
    def device(self) -> str | None:
        """The device that a remedy works on; None for anything else."""
        device = getattr(self.args, "device", None)
        return device if isinstance(device, str) else None

    def journaled_args(self) -> dict[str, JsonValue]:
        """Return the arguments as the journal holds them."""
        args = self.args.journaled()
        return args if self.fault_id is None else {"fault_id": self.fault_id, **args}

    def same_as(self, other: Decision | None) -> bool:
        """Return whether both ask for the same thing, whatever their reasons."""
        return (
            other is not None
            and self.duty == other.duty
            and self.args == other.args
            and self.fault_id == other.fault_id
            and self.cause == other.cause
        )


@dataclass(frozen=True, slots=True)
class Case:
    """What a rule is asked about; ``notes`` collects what was considered and not taken."""

    world: World
    board: Board
    notes: list[tuple[str, str]] = field(default_factory=list)


def blocked(
    world: World, duty: str, spare: tuple[str, ...] = (), target: str | None = None
) -> float | None:
    """Return when a duty that an open fault blocks may be tried again, or None.

    Faults of devices in ``spare``, which it does without, are no matter, nor are those that only
    concern another target.
    """
    times = [
        max(f.again_at_s, world.now_s + HELD_S) if f.held else f.again_at_s
        for f in world.faults
        if duty in f.blocks
        and f.device not in spare
        and f.only_target in (None, target)
        and (f.held or f.again_at_s > world.now_s)
    ]
    return max(times, default=None)


def why(world: World, duty: str) -> str:
    """Say which open faults block a duty."""
    return "; ".join(f"{f.device}: {f.message}" for f in world.faults if duty in f.blocks)


def exposed(world: World) -> bool:
    """Return whether anything is open or unparked."""
    roof = world.ready.has_roof and not world.ready.roof_closed
    return roof or not world.pointing.parked


def decided(
    args: NamedArgs,
    rule: str,
    reason: str,
    *,
    cause: Cause | None = None,
    fault_id: str | None = None,
    until_s: float | None = None,
) -> Decision:
    """Return the decision for the duty that the arguments are of."""
    return Decision(args.duty, rule, reason, args, fault_id, until_s, cause)


def hold(world: World, rule: str, reason: str, until_s: float, cause: Cause) -> Decision:
    """Return a wait of a second or more; before dusk no target is waited for, but the dark."""
    if cause == "waiting_for_target" and world.now_s < world.hours.dusk_s:
        cause = "waiting_for_dark"
    return decided(WaitArgs(), rule, reason, until_s=max(until_s, world.now_s + 1.0), cause=cause)
