"""How a night would go if nothing went wrong: the daemon's own choice of targets, run ahead.

The chances of each target are judged by the same function that the running night asks. Clouds,
faults, rejected frames and refocusing are left out, so this is the most that can be hoped for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, TargetPlan
from midwatch.sequencer.decision.offers import Offer, survey
from midwatch.sequencer.decision.world import (
    FrameNeed,
    NightHours,
    Pointing,
    Readiness,
    Safety,
    TargetView,
    World,
)
from midwatch.sky.mounts import PierSide

# Steps after which a forecast ends whatever happens: more than the shortest frames of the longest
# night make.
_MAX_STEPS = 20_000


@dataclass(frozen=True)
class Visit:
    """A stretch of the night spent on one target; `frames` were begun in it."""

    target: str
    start_utc_s: float
    end_utc_s: float
    frames: int


@dataclass(frozen=True)
class Forecast:
    """What fits.

    Attributes:
        fitting: frames by target, one number for each frame order, with those taken before.
        visits: in the order of time.
        flips: target and moment of each meridian flip.
    """

    fitting: dict[str, tuple[int, ...]]
    visits: tuple[Visit, ...]
    flips: tuple[tuple[str, float], ...]


def forecast(
    night: Night,
    plan: NightPlan,
    from_utc_s: float = 0.0,
    taken: Mapping[tuple[str, int], int] | None = None,
) -> Forecast:
    """Run the night ahead with the durations that a rig has before anything was learned.

    Args:
        night: the orders.
        plan: what the sky allows for them.
        from_utc_s: when to begin, if the night's work has begun by then.
        taken: frames that count already, by target and number of the frame order.
    """
    run = _Run(night, plan, from_utc_s, taken or {})
    for _ in range(_MAX_STEPS):
        if not run.step():
            break
    counts = {
        t.target.name: tuple(run.taken[t.target.name, i] for i in range(len(t.target.order.frames)))
        for t in plan.targets
    }
    return Forecast(counts, tuple(run.visits), tuple(run.flips))


class _Run:
    def __init__(
        self, night: Night, plan: NightPlan, from_utc_s: float, taken: Mapping[tuple[str, int], int]
    ) -> None:
        self.taken = {
            (t.target.name, i): taken.get((t.target.name, i), 0)
            for t in plan.targets
            for i in range(len(t.target.order.frames))
        }
        self.visits: list[Visit] = []
        self.flips: list[tuple[str, float]] = []
        self._plan = plan
        self._dither_every = night.rig.guiding.dither_every
        self._since_dither = 0
        guided = night.rig.devices.guider is not None
        self._world = World(
            now_s=max(plan.work_from_s, from_utc_s),
            hours=NightHours(plan.prepare_from_s, plan.work_from_s, plan.dusk_s, plan.dawn_s),
            mount=night.rig.geometry,
            safety=Safety(True, ""),
            pointing=Pointing(),
            ready=Readiness(prepared=True, roof_open=True, has_guider=guided, guiding=guided),
            targets=tuple(self._view(target) for target in plan.targets),
        )

    def step(self) -> bool:
        """Do what comes next; return whether the night goes on."""
        world = self._world
        if world.now_s >= world.hours.dawn_s:
            return False
        board = survey(world)
        if board.best is None:
            if board.again_at_s is None:
                return False
            self._pass_to(max(board.again_at_s, world.now_s + 1.0))
        elif board.best.action == "wait":
            self._pass_to(max(board.best.start_s, world.now_s + 1.0))
        elif board.best.action == "flip":
            self._flip(board.best)
        else:
            self._expose(board.best)
        return True

    def _pass_to(self, now_s: float) -> None:
        self._world = replace(self._world, now_s=now_s)

    def _flip(self, offer: Offer) -> None:
        world = self._world
        self.flips.append((offer.target, world.now_s))
        took_s = sum(world.takes_s(duty) for duty in ("flip", "centre", "guide"))
        self._point(offer.target, world.mount.flips_to or "unknown", world.now_s + took_s)

    def _expose(self, offer: Offer) -> None:
        world = self._world
        new = world.pointing.target != offer.target
        if new:
            # The telescope goes there, centres and guides while its window has yet to begin.
            steps = ("slew", "centre", "guide") if world.ready.has_guider else ("slew", "centre")
            setup_s = sum(world.takes_s(step) for step in steps)
            if not world.ready.focused:
                setup_s += world.takes_s("focus")
            self._point(offer.target, offer.side, world.now_s + setup_s)
        dithered = self._dither_every > 0 and self._since_dither >= self._dither_every
        pause_s = world.takes_s("dither") if dithered and not new else 0.0
        begin_s = max(self._world.now_s + pause_s, offer.window[0])
        end_s = begin_s + offer.need.exposure_s
        if end_s > min(offer.window[1], world.hours.dawn_s):
            self._pass_to(begin_s + 1.0)
            return
        self._since_dither = 1 if dithered or new else self._since_dither + 1
        self.taken[offer.target, offer.need.index] += 1
        self._note(offer.target, begin_s, end_s)
        targets = tuple(self._view(target) for target in self._plan.targets)
        now_s = end_s + world.takes_s("expose")
        self._world = replace(self._world, now_s=now_s, targets=targets)

    def _point(self, target: str, side: PierSide, now_s: float) -> None:
        pointing = Pointing(False, True, side, target, True)
        ready = replace(self._world.ready, focused=True)
        self._world = replace(self._world, now_s=now_s, pointing=pointing, ready=ready)

    def _note(self, target: str, begin_s: float, end_s: float) -> None:
        last = self.visits[-1] if self.visits else None
        if last is not None and last.target == target:
            self.visits[-1] = replace(last, end_utc_s=end_s, frames=last.frames + 1)
        else:
            self.visits.append(Visit(target, begin_s, end_s, 1))

    def _view(self, plan: TargetPlan) -> TargetView:
        order = plan.target.order
        needs = [
            FrameNeed(index, frame.filter, frame.exposure_s, left)
            for index, frame in enumerate(order.frames)
            if (left := frame.count - self.taken[plan.target.name, index]) > 0
        ]
        if order.frames_in_turn:
            counts = [frame.count for frame in order.frames]
            needs.sort(key=lambda need: (-need.remaining / counts[need.index], need.index))
        return TargetView(
            name=plan.target.name,
            priority=order.priority,
            windows=tuple((w.start_utc_s, w.end_utc_s) for w in plan.windows),
            reach=tuple((w.start_utc_s, w.end_utc_s) for w in plan.reach),
            transit_s=plan.transit_utc_s,
            turns_deg_s=plan.turns_deg_s,
            needs=tuple(needs),
        )
