"""Short nights in which one thing goes wrong, watched by somebody who knows the truth.

Dusk is at 19:44:46 in the zone of the site. The camera is cooled from 18:26 on, the roof opens at
19:38, then come the slew, centring, focus and guiding. Both fields have passed the meridian by
then, and sink out of their windows at 21:11.
"""

from __future__ import annotations

import json
import shutil
from bisect import bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from midwatch.bus import MemoryBroker, MemoryBus, Topics
from midwatch.clock import Clock
from midwatch.journal.store import Event
from midwatch.orders.injected import parse_fault, schedule
from midwatch.orders.reading import load_night
from midwatch.reports.summary_models import FaultSummary, FrameSummary
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from support.fault_expectations import Expected

CONFIGS = Path(__file__).parent.parent.parent / "configs"
SEED = 1
EXPOSURE_S = 120.0
ZONE = ZoneInfo("Europe/Vienna")
# The demo rig has a guider, a wheel, a roof, a weather sensor, a flat panel and a switch.
ORDERS = f"""\
site: larch-hollow.yaml
rig: harrier.yaml
evening: 2027-03-10
targets:
  - name: a field in Gemini
    ra: 6h30m
    dec: 25d
    min_altitude_deg: 60
    frames_in_turn: true
    frames:
      - {{filter: L, exposure_s: {EXPOSURE_S:g}, count: 400}}
      - {{filter: R, exposure_s: {EXPOSURE_S:g}, count: 400}}
  - name: its neighbour
    ra: 6h20m
    dec: 27d
    min_altitude_deg: 60
    priority: 2
    frames:
      - {{filter: L, exposure_s: {EXPOSURE_S:g}, count: 400}}
seed: {SEED}
"""
_NAMED_FILES = (
    "sites/larch-hollow.yaml", "sites/larch-hollow.horizon.txt", "rigs/harrier.yaml",
    "rigs/siskin.yaml",
)  # fmt: skip
_WATCHED = ("mount/event/truth", "roof/event/truth", "roof/state")


@dataclass
class Witness:
    """What the simulated hardware really did, and what the roof's sensor said.

    Attributes:
        mount: (POSIX seconds, truth) of the mount, ascending.
        roof: (POSIX seconds, share to which the roof is open), ascending.
        said: (POSIX seconds, position by the roof's sensor), ascending.
    """

    mount: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    roof: list[tuple[float, float]] = field(default_factory=list)
    said: list[tuple[float, str]] = field(default_factory=list)

    async def watch(self, broker: MemoryBroker, topics: Topics, clock: Clock) -> None:
        """Be there as long as the night lasts."""
        root = topics.night_state.removesuffix("night/state")
        bus = MemoryBus(broker, "witness")
        async with bus, bus.subscribe(*(root + topic for topic in _WATCHED)) as messages:
            async for message in messages:
                seen = json.loads(message.payload)
                facts = seen.get("facts") or seen.get("state") or {}
                if message.topic.endswith("mount/event/truth"):
                    self.mount.append((facts["utc_s"], facts))
                elif message.topic.endswith("roof/event/truth"):
                    self.roof.append((facts["utc_s"], facts["open_fraction"]))
                else:
                    self.said.append((clock.unix_s(), facts["position"]))

    def open_fraction(self, at_s: float) -> float:
        """How far the roof was open, as last told."""
        index = bisect_right(self.roof, (at_s, 2.0)) - 1
        return self.roof[index][1] if index >= 0 else 0.0

    def parked_at(self, at_s: float) -> bool:
        """Whether the telescope stood parked, as last told."""
        index = bisect_right([moment for moment, _ in self.mount], at_s) - 1
        return index < 0 or bool(self.mount[index][1]["parked"])

    def moved_under_roof(self) -> list[float]:
        """Return when the telescope was not parked while the roof was not wholly open."""
        moments = sorted({at_s for at_s, _ in (*self.mount, *self.roof)})
        return [
            at_s for at_s in moments
            if not self.parked_at(at_s) and self.open_fraction(at_s) < 1.0
        ]  # fmt: skip


@dataclass(frozen=True)
class FaultNight:
    """What a rehearsal left.

    Attributes:
        began_s: when the first fault began, POSIX seconds; 0 without any.
        ended_s: when the last was over.
    """

    outcome: NightOutcome
    events: Sequence[Event]
    witness: Witness
    began_s: float
    ended_s: float

    @property
    def integration_s(self) -> float:
        """Accepted, both targets together."""
        return sum(target.integration_s for target in self.outcome.summary.targets)

    @property
    def faults(self) -> list[FaultSummary]:
        """As the summary tells them."""
        return list(self.outcome.summary.faults)

    @property
    def lights(self) -> list[FrameSummary]:
        """Light frames, whatever became of them."""
        return [frame for frame in self.outcome.summary.frames if frame.frame == "light"]

    @property
    def end(self) -> Any:
        """The end of the night, as journaled."""
        return self.of("night_ended")[-1][1]

    def of(self, kind: str) -> list[tuple[float, Any]]:
        """Return (when, what) of the facts of a kind, in order."""
        return [(e.at_utc_s, e.fact) for e in self.events if e.fact.kind == kind]

    def during(self) -> list[FrameSummary]:
        """Return the lights whose shutter was open while the fault stood."""
        return [
            frame for frame in self.lights
            if utc_s(frame.began) < self.ended_s
            and utc_s(frame.began) + frame.exposure_s > self.began_s
        ]  # fmt: skip

    def in_hand(self) -> FrameSummary:
        """Return the light whose shutter was open when the fault began."""
        (frame,) = [
            frame for frame in self.lights
            if utc_s(frame.began) < self.began_s < utc_s(frame.began) + frame.exposure_s
        ]  # fmt: skip
        return frame

    def check_frames(self) -> None:
        """Demand that what was read out is filed, once, and nothing else."""
        read = Counter(fact.exposure_id for _, fact in self.of("frame_read"))
        filed = Counter(fact.exposure_id for _, fact in self.of("frame_filed"))
        assert set(read.values()) <= {1} and set(filed.values()) <= {1}
        lost = {fact.exposure_id for _, fact in self.of("frame_lost")}
        # What was given up, and then found in the spool, is both lost and filed.
        assert read.keys() - filed.keys() <= lost, "read out, and neither filed nor told as lost"
        assert filed.keys() <= read.keys()
        states = {frame.exposure_id: frame.state for frame in self.outcome.summary.frames}
        assert all(states[name] in ("filed", "graded") for name in filed)
        filed_as = {fact.exposure_id: fact.path for _, fact in self.of("frame_filed")}
        # A light that is rejected later is set apart.
        for _, fact in self.of("frame_regraded"):
            filed_as[fact.exposure_id] = fact.path or filed_as[fact.exposure_id]
        paths = list(filed_as.values())
        assert len(set(paths)) == len(paths)
        on_disk = {p.relative_to(self.outcome.folder).as_posix()
                   for p in self.outcome.folder.rglob("*.fits")}  # fmt: skip
        assert on_disk == set(paths)

    def check_promises(self) -> None:
        """Demand that no promise was broken."""
        broken = [f"{p.number}: {p.detail}" for p in self.outcome.summary.promises if p.ok is False]
        assert not broken, "\n".join(broken)

    def check_rest(self) -> None:
        """Demand that the night ended parked, closed and warm, by its journal and in truth."""
        assert (self.end.parked, self.end.warm, self.end.closed) == (True, True, True)
        assert self.witness.mount[-1][1]["parked"]
        assert self.witness.roof[-1][1] == 0.0


def utc_s(text: str) -> float:
    """Return the POSIX seconds of an instant of the summary."""
    return datetime.fromisoformat(text).timestamp()


def write_orders(folder: Path, ordered: str = ORDERS) -> Path:
    """Write the orders of the short night, and what they name; return their path."""
    folder.mkdir(parents=True, exist_ok=True)
    # Orders that are given by hand may name no files but those next to them.
    for name in _NAMED_FILES:
        shutil.copy(CONFIGS / name, folder)
    orders = folder / "orders.yaml"
    orders.write_text(ordered, encoding="utf-8")
    return orders


def rehearsed(
    folder: Path, *faults: str, seed: int = SEED, ordered: str = ORDERS, shuffle: int = 0
) -> FaultNight:
    """Rehearse the short night in numbers, with a witness.

    Args:
        folder: for orders and data.
        faults: as on the command line.
        seed: of all randomness.
        ordered: other night orders than those of the short night.
        shuffle: seed by which what is due at the same instant is shuffled; 0: not at all.
    """
    night = load_night(write_orders(folder, ordered))
    assert night.orders.evening is not None
    planned = schedule([parse_fault(text) for text in faults], night.orders.evening, ZONE)
    events: list[Event] = []
    witness = Witness()
    options = RehearsalOptions(
        seed=seed, sky_mode="fast", data_folder=folder / "data", evening=None,
        faults=tuple(planned), guest=witness.watch, lean=True, shuffle=shuffle,
    )  # fmt: skip
    outcome = rehearse(night, options, events.append)
    began_s = min((fault.from_utc_s for fault in planned), default=0.0)
    ended_s = max((fault.until_utc_s for fault in planned), default=0.0)
    return FaultNight(outcome, events, witness, began_s, ended_s)


@cache
def undisturbed() -> FaultNight:
    """Return the same night in which nothing goes wrong."""
    with TemporaryDirectory() as folder:
        night = rehearsed(Path(folder))
        night.check_frames()
        night.check_promises()
        night.check_rest()
        assert not night.faults
        assert night.integration_s >= 0.8 * 90 * 60.0
        return night


def named(table: Mapping[str, Expected]) -> list[Any]:
    """Return the rows of a table as parameters of a test, each with its kind's name as id."""
    return [
        pytest.param(
            name, expected, id=name,
            marks=[pytest.mark.xfail(reason=expected.missing, strict=True)]
            if expected.missing else [],
        )
        for name, expected in table.items()
    ]  # fmt: skip


def check(name: str, night: FaultNight, expected: Expected) -> None:
    """Demand of a night what is expected under a fault.

    What the program is known not to do yet fails the test that says so.
    """
    before = undisturbed()
    night.check_frames()
    cost_s = before.integration_s - night.integration_s
    assert cost_s <= expected.cost_s, f"{name} cost {cost_s} s"
    # One frame more may fit into what is left of a window: then what was spoilt shows the cost.
    spoilt_s = sum(frame.exposure_s for frame in night.lights if frame.grade != "accepted")
    assert max(cost_s, spoilt_s) >= expected.least_s, f"{name} cost only {cost_s} s"
    _check_record(night, expected)
    if expected.spoils == "hand":
        assert night.in_hand().grade != "accepted"
    elif expected.spoils == "all":
        assert [f.exposure_id for f in night.during() if f.grade == "accepted"] == []
    assert night.witness.moved_under_roof() == []
    night.check_promises()
    night.check_rest()


def _check_record(night: FaultNight, expected: Expected) -> None:
    faults = [(f"{fault.device}.{fault.kind}", fault) for fault in night.faults]
    if expected.quiet:
        assert [name for name, _ in faults] == []
    standing = [fault.fault_id for fault in night.faults if fault.ended is None]
    assert standing == [], "nothing is wrong any more at the end of the night"
    over_s = night.ended_s + expected.back_s
    late = [fault.fault_id for fault in night.faults if utc_s(str(fault.ended)) > over_s]
    assert late == [], "it was over long before"
    if not expected.seen:
        return
    seen = [fault for name, fault in faults if name in expected.seen]
    assert seen, f"none of {expected.seen} is in the record, but {[name for name, _ in faults]}"
    assert night.began_s <= utc_s(seen[0].began) <= night.began_s + expected.within_s
    tried = [remedy.remedy.partition(" ")[0] for fault in seen for remedy in fault.remedies]
    rest = iter(tried)
    assert all(remedy in rest for remedy in expected.remedies), f"tried: {tried}"
