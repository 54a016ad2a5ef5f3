"""What rules of decisions work with: a decision, the case that they are asked about, and holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from midwatch.journal.facts import Cause
from midwatch.sequencer.decision.offers import Board
from midwatch.sequencer.decision.refocus import Scalar
from midwatch.sequencer.decision.world import World

__all__ = ["Case", "Decision", "blocked", "clock_text", "exposed", "hold", "why"]

# A duty that a fault holds up for as long as it stands is looked at again after this.
HELD_S = 15.0


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision.

    Attributes:
        duty: what to do; "finish" ends the night.
        rule: which rule decided.
        reason: why, for a person.
        args: of the duty.
        until_s: a wait ends then at the latest; None waits for an event.
        cause: what a wait is accounted under.
        ruled_out: (option, reason) of what was considered and not taken.
    """

    duty: str
    rule: str
    reason: str
    args: Mapping[str, Scalar] = field(default_factory=dict)
    until_s: float | None = None
    cause: Cause | None = None
    ruled_out: tuple[tuple[str, str], ...] = ()

    def same_as(self, other: Decision | None) -> bool:
        """Tell whether both ask for the same doing, whatever their reasons."""
        return (
            other is not None
            and self.duty == other.duty
            and self.args == other.args
            and self.cause == other.cause
        )


@dataclass(frozen=True, slots=True)
class Case:
    """What a rule is asked about; ``notes`` collects what was considered and not taken."""

    world: World
    board: Board
    notes: list[tuple[str, str]] = field(default_factory=list)


def clock_text(at_s: float) -> str:
    """Return an instant as HH:MM UTC for reasons; out-of-range instants as such."""
    if not 0 <= at_s < 4e9:
        return "never"
    return datetime.fromtimestamp(at_s, UTC).strftime("%H:%M UTC")


def blocked(world: World, duty: str) -> float | None:
    """Return when a duty that an open fault blocks may be tried again, or None."""
    times = [
        max(f.again_at_s, world.now_s + HELD_S) if f.held else f.again_at_s
        for f in world.faults
        if duty in f.blocks and (f.held or f.again_at_s > world.now_s)
    ]
    return max(times, default=None)


def why(world: World, duty: str) -> str:
    """Say which open faults block a duty."""
    return "; ".join(f"{f.device}: {f.message}" for f in world.faults if duty in f.blocks)


def exposed(world: World) -> bool:
    """Tell whether anything stands open or unparked."""
    roof = world.ready.has_roof and not world.ready.roof_closed
    return roof or not world.pointing.parked


def hold(world: World, rule: str, reason: str, until_s: float, cause: Cause) -> Decision:
    """Return a wait of a second or more."""
    return Decision("wait", rule, reason, until_s=max(until_s, world.now_s + 1.0), cause=cause)
