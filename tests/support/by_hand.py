"""Nights for tests of orders by hand: short ones, and somebody at their bus."""

from __future__ import annotations

import copy
import itertools
from collections import Counter
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import yaml

from midwatch.bus import Caller, CommandError, MemoryBroker, MemoryBus, Topics
from midwatch.clock import Clock
from midwatch.journal.facts import (
    FrameBegun,
    FrameGraded,
    FrameLost,
    FrameRead,
    NightEnded,
    OperatorSpoke,
    OrdersChanged,
)
from midwatch.journal.store import Event, read_events
from midwatch.orders.injected import ScheduledFault
from midwatch.runtime.files import load_orders
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from midwatch.sequencer.night import Documents, documents_of
from support.interface_bench import RIG, SITE, write_night

__all__ = [
    "EVENING", "FIRST_LIGHT_S", "ORDERS", "ROOFED", "Hand", "Seen", "at_rest", "check_by_hand",
    "documents", "documents_of", "kept", "lights", "night", "orders_of", "text_of", "write",
]  # fmt: skip

EVENING = date(2027, 3, 10)
# When the first light of a night begins that nobody disturbs: at dusk.
FIRST_LIGHT_S = 1804704286.0
ROOFED = (
    RIG
    + """\
guiding: {dither_every: 2}
"""
)
ROOFED = ROOFED.replace(
    "camera: {pixel_um",
    "  roof: {driver: simulated-roof}\n  weather: {driver: simulated-weather}\n"
    "  guider: {driver: simulated-guider}\n  flat_panel: {driver: simulated-flat-panel}\n"
    "camera: {pixel_um",
)
# At the bench's site on this evening both are up from dusk on.
ORDERS: dict[str, Any] = {
    "site": "site.yaml",
    "rig": "rig.yaml",
    "evening": "2027-03-10",
    "targets": [
        {"name": "IC 405", "frames": [{"exposure_s": 120, "count": 4},
                                      {"exposure_s": 60, "count": 3}]},
        {"name": "M 101", "priority": 2, "frames": [{"exposure_s": 120, "count": 3}]},
    ],
    "calibration": {"bias": 2},
}  # fmt: skip


def text_of(orders: dict[str, Any]) -> str:
    # A date must stand as a date.
    return yaml.safe_dump(orders, sort_keys=False).replace("'2027-03-10'", "2027-03-10")


def write(folder: Path, orders: dict[str, Any] | None = None, rig: str = ROOFED,
          site: str = SITE) -> Path:  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    return write_night(folder, orders=text_of(orders or ORDERS), rig=rig, site=site)


def documents(orders: dict[str, Any], rig: str = ROOFED, site: str = SITE) -> Documents:
    files = {"orders.yaml": text_of(orders), "rig.yaml": rig, "site.yaml": site}
    return Documents(main="orders.yaml", files=files)


@dataclass
class Hand:
    """Somebody at the bus of a night.

    Attributes:
        taken: the orders that were answered, in order.
        said: what refusals said.
    """

    caller: Caller
    clock: Clock
    broker: MemoryBroker
    topics: Topics
    taken: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    async def order(self, command: str, **args: Any) -> dict[str, Any] | None:
        try:
            given = {"who": "ann", **args}
            result = await self.caller.call("daemon", command, given, timeout_s=100.0)
        except CommandError as error:
            self.said.append(error.message)
            return None
        self.taken.append(command)
        return result

    async def change(self, new: Documents, why: str = "") -> dict[str, Any] | None:
        return await self.order("change", why=why or None, documents=new.model_dump(mode="json"))

    async def until(self, at_s: float) -> None:
        await self.clock.sleep(max(0.0, at_s - self.clock.unix_s()))


@dataclass(frozen=True)
class Seen:
    """What a night left."""

    events: list[Event]
    outcome: NightOutcome
    hand: Hand | None

    def facts(self, kind: type[Any]) -> list[Any]:
        return [event.fact for event in self.events if isinstance(event.fact, kind)]


def night(
    out: Path,
    orders: Path,
    act: Callable[[Hand], Coroutine[Any, Any, None]] | None = None,
    *,
    faults: tuple[ScheduledFault, ...] = (),
    seed: int = 1,
    on_event: Callable[[Event], None] | None = None,
) -> Seen:
    """Rehearse a fast night with somebody at its bus."""
    hands: list[Hand] = []

    async def guest(broker: MemoryBroker, topics: Topics, clock: Clock) -> None:
        bus = MemoryBus(broker, "ann")
        async with bus, Caller(bus, topics, clock, (f"a{n}" for n in itertools.count())) as caller:
            hands.append(Hand(caller, clock, broker, topics))
            assert act is not None
            await act(hands[0])

    out.mkdir(parents=True, exist_ok=True)
    options = RehearsalOptions(
        seed=seed, sky_mode="fast", data_folder=out, evening=EVENING, faults=faults,
        guest=None if act is None else guest,
    )  # fmt: skip
    outcome = rehearse(load_orders(orders), options, on_event)
    events = read_events(out / "journal.sqlite")
    return Seen(events, outcome, hands[0] if hands else None)


def orders_of(**changes: Any) -> dict[str, Any]:
    new = copy.deepcopy(ORDERS)
    new.update(changes)
    return new


def lights(seen: Seen, target: str) -> int:
    graded = {g.exposure_id for g in seen.facts(FrameGraded) if g.grade == "accepted"}
    return sum(b.target == target and b.exposure_id in graded for b in seen.facts(FrameBegun))


def kept(seen: Seen) -> None:
    broken = [p for p in seen.outcome.summary.promises if p.ok is False]
    assert not broken


def at_rest(seen: Seen) -> None:
    end = seen.facts(NightEnded)[-1]
    assert (end.parked, end.warm, end.closed) == (True, True, True)


def check_by_hand(
    folder: Path, given_at: list[tuple[float, str]], orders: dict[str, Any] | None = None,
    ends_s: float = 1250.0,
) -> Seen:  # fmt: skip
    """Rehearse with these commands, and look at everything that must hold of any night.

    Args:
        folder: for orders and data.
        given_at: seconds from the first light of a night that nobody disturbs, and commands.
        orders: of the night; new ones that are given leave its first target out.
        ends_s: a night that nobody disturbs has ended by then.
    """
    old = orders or ORDERS
    new = {**old, "targets": old["targets"][1:]}

    async def act(hand: Hand) -> None:
        for at, command in sorted(given_at):
            await hand.until(FIRST_LIGHT_S + at)
            if command == "change":
                await hand.change(documents(new), "at any instant")
            else:
                await hand.order(command, why="at any instant")
        if "pause" in (command for _, command in given_at):
            # Nobody leaves a night paused for good in these tests: it would last until dawn.
            await hand.until(FIRST_LIGHT_S + 2000.0)
            await hand.order("resume", why="at last")

    seen = night(folder / "night", write(folder / "orders", old), act)
    assert seen.hand is not None
    # Skipping what is skipped, or changing to what holds already, is no mistake.
    assert not seen.hand.said
    spoken = Counter(s.command for s in seen.facts(OperatorSpoke) if s.who == "ann")
    # After its end a night hears nothing any more.
    asked = Counter(seen.hand.taken)
    assert asked or min(at for at, _ in given_at) > ends_s
    for command in ("pause", "resume", "skip", "close"):
        assert spoken[command] == asked[command]
    assert len(seen.facts(OrdersChanged)) == asked["change"]
    assert all(s.why for s in seen.facts(OperatorSpoke))
    # Every exposure has an end that is told, and only what was interrupted has none on disk.
    ends = [f.exposure_id for f in (*seen.facts(FrameRead), *seen.facts(FrameLost))]
    # One that was given up while it was read out may turn up in the spool, and is filed after all.
    assert sorted(set(ends)) == sorted(b.exposure_id for b in seen.facts(FrameBegun))
    if asked["close"]:
        closed_at = min(at for at, command in given_at if command == "close")
        end_s = next(e.at_utc_s for e in seen.events if isinstance(e.fact, NightEnded))
        assert end_s < FIRST_LIGHT_S + closed_at + 1500.0
    kept(seen)
    at_rest(seen)
    return seen
