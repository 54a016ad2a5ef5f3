"""Short nights with faults: one target, high in the sky from dusk on, for two hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from midwatch.journal.store import Event
from midwatch.orders.injected import parse_fault, schedule
from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse

CONFIGS = Path(__file__).parent.parent.parent / "configs"
_ORDERS = """\
site: {configs}/sites/larch-hollow.yaml
rig: {rig}
evening: 2027-03-10
targets:
  - name: a field in Gemini
    ra: 6h54m
    dec: 25d
    min_altitude_deg: {min_altitude_deg}
    frames_in_turn: true
    frames: [{frames}]
seed: 1
{more}
"""


@dataclass(frozen=True)
class FaultyNight:
    """What a rehearsal with faults left."""

    outcome: NightOutcome
    events: Sequence[Event]

    @property
    def integration_s(self) -> float:
        """Accepted, all targets together."""
        return sum(target.integration_s for target in self.outcome.summary.targets)

    @property
    def faults(self) -> list[Any]:
        """As the summary tells them."""
        return list(self.outcome.summary.faults)

    def facts(self, kind: str) -> list[Any]:
        """Return the facts of a kind, in order."""
        return [event.fact for event in self.events if event.fact.kind == kind]

    def frames(self) -> list[tuple[float, Any, Any]]:
        """Return (when begun, how begun, verdict) of the light frames that were graded."""
        begun = {e.fact.exposure_id: (e.at_utc_s, e.fact) for e in self._of("frame_begun")}
        graded = {e.fact.exposure_id: e.fact for e in self._of("frame_graded")}
        return [(*begun[name], verdict) for name, verdict in graded.items()]

    def remedies(self) -> list[str]:
        """Return what was tried, in order."""
        return [fact.remedy for fact in self.facts("remedy_tried")]

    def check_end(self) -> None:
        """Demand a night that ended as it should, all promises kept."""
        assert self.outcome.promises_kept
        (ended,) = self.facts("night_ended")
        assert (ended.parked, ended.warm, ended.closed) == (True, True, True)

    def _of(self, kind: str) -> list[Any]:
        return [event for event in self.events if event.fact.kind == kind]


def faulty_night(
    folder: Path,
    *faults: str,
    rig: str = "harrier",
    rig_text: str | None = None,
    filters: Sequence[str | None] = ("L",),
    exposure_s: float = 180.0,
    min_altitude_deg: float = 58.0,
    more: str = "",
) -> FaultyNight:
    """Rehearse it in numbers; more frames are ordered than there is time for.

    Args:
        folder: for orders and data.
        faults: as on the command line.
        rig: name of a shipped rig.
        rig_text: a rig file of its own instead.
        filters: ordered in turn.
        exposure_s: of every frame.
        min_altitude_deg: sets how long the night's work lasts.
        more: lines of the orders.
    """
    frames = ", ".join(
        f"{{{f'filter: {name}, ' if name else ''}exposure_s: {exposure_s:g}, count: 400}}"
        for name in filters
    )
    orders, rig_path = folder / "orders.yaml", CONFIGS / "rigs" / f"{rig}.yaml"
    if rig_text is not None:
        rig_path = folder / "rig.yaml"
        rig_path.write_text(rig_text, encoding="utf-8")
    orders.write_text(
        _ORDERS.format(
            configs=CONFIGS,
            rig=rig_path,
            min_altitude_deg=min_altitude_deg,
            frames=frames,
            more=more,
        ),
        encoding="utf-8",
    )
    night = load_night(orders)
    assert night.orders.evening is not None
    planned = schedule(
        [parse_fault(text) for text in faults],
        night.orders.evening,
        ZoneInfo(night.site.timezone),
    )
    events: list[Event] = []
    options = RehearsalOptions(
        seed=None, sky_mode="fast", data_folder=folder / "night", evening=None,
        faults=tuple(planned),
    )  # fmt: skip
    outcome = rehearse(night, options, events.append)
    return FaultyNight(outcome, events)
