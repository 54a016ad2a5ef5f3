"""Rehearsed polar alignments in which something goes wrong, watched by one who knows the truth.

Dusk is at 19:44:46 in the zone of the site: then the devices connect and the roof opens, which
takes half a minute. Three fields come one after the other until 19:46, then the knobs are turned.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from midwatch.alignment import Alignment, AlignOptions
from midwatch.journal.facts import Fact
from midwatch.journal.store import read_events
from midwatch.orders.injected import parse_fault, schedule
from midwatch.orders.reading import Night, load_night
from midwatch.runtime.polar import AtTheKnobs, Rehearsal, rehearse_alignment
from support.fault_nights import CONFIGS, ORDERS, Witness

EVENING = date(2027, 3, 10)
ZONE = ZoneInfo("Europe/Vienna")
MEASURE = AlignOptions(
    method="frames", tolerance_arcmin=2.0, exposure_s=None, each=3, drift_min=5.0, guide=False,
    confirm=False, focus=True,
)  # fmt: skip
GUIDE = replace(MEASURE, guide=True)
DRIFT = replace(MEASURE, method="drift", drift_min=6.0)


def utc_s(clock: str) -> float:
    """Return an instant of that evening, from local time."""
    return datetime.combine(EVENING, time.fromisoformat(clock), ZONE).timestamp()


@dataclass
class Aligned:
    """What a rehearsed alignment left.

    Attributes:
        lines: what the person was shown.
    """

    result: Alignment
    folder: Path
    witness: Witness
    lines: list[str]

    def of(self, kind: str) -> list[tuple[float, Fact]]:
        """Facts of a kind with their instants."""
        events = read_events(self.folder / "polar.sqlite")
        return [(event.at_utc_s, event.fact) for event in events if event.fact.kind == kind]

    def duties(self) -> list[str]:
        """What was done, in order."""
        return [fact.duty for _, fact in self.of("duty_began")]  # type: ignore[attr-defined]

    def promise(self, number: int) -> bool | None:
        """How a promise fared; None where nothing put it to the test."""
        found = [promise.ok for promise in self.result.promises if promise.number == number]
        return found[0] if found else None

    def parked_s(self) -> float:
        """When the telescope stood parked for good."""
        out = [at for at, truth in self.witness.mount if not truth["parked"]]
        return min(at for at, truth in self.witness.mount if truth["parked"] and at > max(out))

    def closing_s(self) -> float:
        """When the roof last began to close."""
        return [at for at, share in self.witness.roof if share == 1.0][-1]

    def closed_s(self) -> float:
        """When the roof was shut for good."""
        return min(at for at, share in self.witness.roof if share == 0.0 and at > self.closing_s())

    def moved(self) -> bool:
        """Whether the telescope ever left its park position."""
        return any(not truth["parked"] for _, truth in self.witness.mount)

    def opened(self) -> bool:
        """Whether the roof ever opened."""
        return any(share > 0.0 for _, share in self.witness.roof)


@dataclass
class Rig:
    """The demo rig; change what a test is about."""

    roof: str = ""
    orders: str = ""
    # Latitude and evening of another season.
    latitude_deg: float | None = None
    evening: date = EVENING
    faults: tuple[str, ...] = ()
    options: AlignOptions = MEASURE
    heard: Callable[[AtTheKnobs, str], None] = field(default=lambda _person, _line: None)

    def load(self, folder: Path) -> Night:
        for name in ("sites/larch-hollow.yaml", "sites/larch-hollow.horizon.txt"):
            shutil.copy(CONFIGS / name, folder)
        if self.latitude_deg is not None:
            site = folder / "larch-hollow.yaml"
            text = site.read_text(encoding="utf-8")
            text, count = re.subn(
                "(?m)^latitude_deg: .*$", f"latitude_deg: {self.latitude_deg}", text
            )
            assert count == 1
            site.write_text(text, encoding="utf-8")
        rig = (CONFIGS / "rigs/harrier.yaml").read_text(encoding="utf-8")
        roof = "    driver: simulated-roof\n"
        assert roof in rig
        rig = rig.replace(roof, f"{roof}    options: {{{self.roof}}}\n") if self.roof else rig
        (folder / "harrier.yaml").write_text(rig, encoding="utf-8")
        (folder / "orders.yaml").write_text(ORDERS + self.orders, encoding="utf-8")
        return load_night(folder / "orders.yaml")


def aligned(folder: Path, rig: Rig) -> Aligned:
    """Rehearse an alignment from dusk on."""
    night = rig.load(folder)
    orders = [parse_fault(text) for text in rig.faults]
    lines: list[str] = []

    def inform(line: str) -> None:
        lines.append(line)
        rig.heard(person, line)

    person, witness = AtTheKnobs(inform), Witness()
    rehearsal = Rehearsal(
        seed=1, evening=rig.evening, sky_mode="fast", data_folder=folder / "out",
        faults=schedule(orders, EVENING, ZONE), guest=witness.watch,
    )  # fmt: skip
    result = rehearse_alignment(night, rig.options, rehearsal, person)
    print("\n".join(lines))
    return Aligned(result, folder / "out", witness, lines)
