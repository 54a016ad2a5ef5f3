"""What each target offers now: whether its next exposure fits every limit, and which is best.

An exposure is only offered if it can end, with the world's margin, inside the target's window,
before dawn, and before the limit of the axes on the side on which the telescope is then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from midwatch.sequencer.decision.world import FrameNeed, TargetView, World
from midwatch.sky.mounts import PierSide

Window = tuple[float, float]
Action = Literal["frames", "flip", "wait"]


@dataclass(frozen=True, slots=True)
class Offer:
    """A target whose next exposure fits.

    Attributes:
        action: "frames" now; "flip" first; "wait" until ``start_s`` and then flip.
        side: of the pier, on which to arrive; unknown where the mount has none.
        start_s: earliest instant at which the exposure can begin (or the wait ends).
        window: in which light frames are allowed.
        hidden: what seems to be in the way, near the horizon; nothing when empty.
    """

    target: str
    priority: int
    need: FrameNeed
    action: Action
    side: PierSide
    start_s: float
    window: Window
    reason: str
    hidden: str = ""


@dataclass(frozen=True, slots=True)
class Board:
    """All chances, the best of them, and what was ruled out."""

    best: Offer | None = None
    again_at_s: float | None = None
    ruled_out: tuple[tuple[str, str], ...] = ()


@dataclass(slots=True)
class _Survey:
    offers: list[Offer] = field(default_factory=list)
    ruled_out: list[tuple[str, str]] = field(default_factory=list)
    again_at_s: list[float] = field(default_factory=list)


def survey(world: World) -> Board:
    """Assess every target and choose.

    Among those that can go on now, the lowest priority number is served first; equal ones by
    whose window ends first. A target that must wait for the meridian yields to one that can work,
    and one near the horizon that seems to be hidden yields to one that is not.
    """
    notes = _Survey()
    for target in world.targets:
        _assess(world, target, notes)
    ranked = sorted(notes.offers, key=lambda c: _rank(world, c))
    best = ranked[0] if ranked else None
    beaten = [
        (c.target, "; ".join(filter(None, (c.hidden, f"{best.target} comes first"))))
        for c in ranked[1:]
        if best is not None
    ]
    again = min(notes.again_at_s, default=None)
    return Board(best, again, tuple(notes.ruled_out + beaten))


def _rank(world: World, offer: Offer) -> tuple[bool, bool, int, float, bool, str]:
    return (
        offer.action == "wait",
        bool(offer.hidden),
        offer.priority,
        offer.window[1],
        offer.target != world.pointing.target,
        offer.target,
    )


def _setup_s(world: World, target: TargetView) -> float:
    """Time before the first exposure could open, seconds."""
    pointing, ready = world.pointing, world.ready
    there = pointing.target == target.name and pointing.tracking
    steps = {
        "open": not ready.roof_open,
        "slew": not there,
        "centre": not (there and pointing.centred),
        "focus": not ready.focused,
        "guide": ready.has_guider and not (there and ready.guiding),
        "dither": there and any(need.dither_due for need in target.needs[:1]),
    }
    return sum(world.takes_s(step) for step, needed in steps.items() if needed)


def _lead_s(world: World) -> float:
    """Time before a window in which a target may be got ready, seconds.

    The same for every target and whatever is done already: else a target that is ready would
    give way to one that is not.
    """
    return 60.0 + sum(world.takes_s(step) for step in ("open", "slew", "centre", "focus", "guide"))


def _assess(world: World, target: TargetView, notes: _Survey) -> None:
    now = world.now_s
    if target.skipped:
        notes.ruled_out.append((target.name, "skipped by the operator"))
        return
    if not target.needs:
        notes.ruled_out.append((target.name, "all its frames are taken"))
        return
    earliest = now
    if target.blocked_until_s > now:
        notes.ruled_out.append((target.name, target.blocked_reason))
        earliest = target.blocked_until_s
    reason = "its windows are over for tonight"
    for window in target.windows:
        if window[1] <= earliest:
            continue
        verdict = _in_window(world, target, window, earliest)
        if isinstance(verdict, Offer):
            notes.offers.append(verdict)
            return
        reason, again_at_s = verdict
        if again_at_s is not None:
            notes.again_at_s.append(again_at_s)
            break
    notes.ruled_out.append((target.name, reason))


def _in_window(
    world: World, target: TargetView, window: Window, earliest_s: float
) -> Offer | tuple[str, float | None]:
    """Return the chance that a window offers, or why not and when it may."""
    now = world.now_s
    setup_s = _setup_s(world, target)
    begin = max(window[0], earliest_s + setup_s)
    if _fitting(world, target, begin, min(window[1], world.hours.dawn_s)) is None:
        return "no wanted exposure fits into the rest of its window", None
    if earliest_s > now:
        return "backing off", earliest_s
    if not any(a <= now < b for a, b in target.reach):
        later = [a for a, b in target.reach if a > now and a < window[1]]
        return ("below its limit", max(later[0], now + 1.0)) if later else ("out of reach", None)
    lead_s = _lead_s(world)
    if window[0] - now > lead_s:
        return "its window has not begun", window[0] - lead_s
    return _on_its_side(world, target, window, begin)


def _fitting(world: World, target: TargetView, begin_s: float, end_s: float) -> FrameNeed | None:
    """Return the first wanted frame that fits between two instants, or None."""
    free_s = end_s - begin_s - world.takes_s("expose") - world.margin_s
    return next((need for need in target.needs if need.exposure_s <= free_s), None)


def _on_its_side(
    world: World, target: TargetView, window: Window, begin_s: float
) -> Offer | tuple[str, float | None]:
    """Apply the limits of the mount's axes, and its flips."""
    mount, now = world.mount, world.now_s
    end_s = min(window[1], world.hours.dawn_s)
    there = world.pointing.target == target.name and world.pointing.tracking
    # What the mount itself makes of its clock and site may end the tracking earlier.
    tracks_until_s = world.pointing.limit_at_s if there else math.inf
    side = world.pointing.pier_side if there else "unknown"
    if side == "unknown":
        side = mount.arrival_side(target, now) or "unknown"
        contrary_s = world.pointing.contrary_until_s
        if contrary_s > now and not mount.either_side(target, now + world.takes_s("slew")):
            return (
                "the mount goes to the wrong side of its pier, where this is past a limit",
                contrary_s,
            )

    def offer(action: Action, need: FrameNeed, start_s: float, reason: str) -> Offer:
        hidden = target.hidden_reason if target.hidden_until_s > now else ""
        return Offer(
            target.name, target.priority, need, action, side, start_s, window, reason, hidden
        )

    limit_s = min(mount.limit_s(target, side, now), tracks_until_s)
    ahead = mount.turnover(target, side, now)
    need = _fitting(world, target, begin_s, min(end_s, limit_s))
    if need is not None:
        ends_s = end_s if ahead is None else min(end_s, limit_s)
        return offer("frames", need, begin_s, _until(ends_s, now))
    if ahead is None:
        where = " on this side of the pier" if mount.sided else " of the mount"
        return f"no exposure fits before the limit{where}", limit_s + 1.0
    may_flip = ahead.from_s <= now
    after_s = (
        ahead.from_s + world.takes_s("flip") + world.takes_s("centre") + world.takes_s("guide")
    )
    need = _fitting(world, target, max(begin_s, after_s), end_s)
    if need is None:
        return "too little time is left after the meridian flip", None
    if may_flip and there:
        return offer("flip", need, after_s, "the next exposure would pass the meridian limit")
    if may_flip:
        side = ahead.side
        return offer("frames", need, begin_s, _until(end_s, now))
    return offer("wait", need, ahead.from_s, "waiting for the meridian, then flip")


def _until(end_s: float, now_s: float) -> str:
    return f"it can be imaged for another {max(end_s - now_s, 0.0) / 60.0:.0f} min"
