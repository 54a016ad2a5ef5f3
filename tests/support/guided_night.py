"""A short night on the shipped rig with a guide camera, its sensors made smaller."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import yaml

from midwatch.imaging.guiding import GuideLoop, LoopOutput
from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse

CONFIGS = Path(__file__).parent.parent.parent / "configs"
# A minute without stars, between dusk and the flip.
CLOUD = (datetime(2027, 3, 10, 18, 47, tzinfo=UTC), datetime(2027, 3, 10, 18, 48, tzinfo=UTC))


@dataclass(frozen=True)
class GuidedNight:
    """What a rehearsal left, and what it told.

    Attributes:
        seen: names of what the guide loop said, in order.
        phases: of the loop after each guide frame.
    """

    outcome: NightOutcome
    events: Sequence[Event]
    seen: Sequence[str]
    phases: Sequence[str]

    def facts(self, kind: str) -> list[Any]:
        return [event.fact for event in self.events if event.fact.kind == kind]

    def duties(self, outcome: str) -> list[str]:
        return [fact.duty for fact in self.facts("duty_ended") if fact.outcome == outcome]


def orders_for(folder: Path, *, frames: int = 6, rig_name: str = "kestrel") -> Path:
    """Write rig and orders: a field that crosses the meridian soon after dusk."""
    rig = yaml.safe_load((CONFIGS / "rigs" / f"{rig_name}.yaml").read_text(encoding="utf-8"))
    devices = rig["devices"]
    # Fewer, larger pixels: nearly the same field, so that it holds stars enough to solve.
    devices["camera"]["options"] |= {"width_px": 900, "height_px": 680, "pixel_um": 8.1}
    rig["camera"]["pixel_um"] = 8.1
    if "mount" not in rig:
        rig["limits"] |= {"past_meridian_min": 4, "flip_after_min": 1}
    # Frames of a minute, dithered by number, so that a dither comes before the cloud.
    rig["guiding"]["dither_apart_s"] = 0
    devices["guide_camera"]["options"] |= {
        "width_px": 320, "height_px": 240, "focal_length_mm": 160, "aperture_mm": 24,
    }  # fmt: skip
    began, ended = (instant.isoformat() for instant in CLOUD)
    devices["weather"]["options"]["clouds"] = [
        {"from": began, "to": ended, "percent": 84, "edge_s": 4}
    ]
    rig_file, orders = folder / "rig.yaml", folder / "orders.yaml"
    rig_file.write_text(yaml.safe_dump(rig), encoding="utf-8")
    orders.write_text(
        f"site: {CONFIGS}/sites/larch-hollow.yaml\nrig: rig.yaml\nevening: 2027-03-10\n"
        "targets:\n  - {name: a field in Gemini, ra: 6h54m, dec: 25d,\n"
        f"     frames: [{{exposure_s: 60, count: {frames}}}]}}\nseed: 11\n",
        encoding="utf-8",
    )
    return orders


def guided_night(folder: Path, seed: int | None = None, **changes: Any) -> GuidedNight:
    """Rehearse it in pixels, and listen to the guide loop, which no journal does."""
    events: list[Event] = []
    seen: list[str] = []
    phases: list[str] = []

    class Overheard(GuideLoop):
        def begin(self, *args: Any, **settings: Any) -> LoopOutput:
            return heard(super().begin(*args, **settings))

        def on_frame(self, *args: Any, **settings: Any) -> LoopOutput:
            return heard(super().on_frame(*args, **settings))

    def heard(out: LoopOutput) -> LoopOutput:
        seen.extend(event.name for event in out.events)
        phases.append(out.phase)
        return out

    options = RehearsalOptions(
        seed=seed, sky_mode="pixels", data_folder=folder / "night", evening=None
    )
    with patch("midwatch_plugins.drivers.midwatch_guider.GuideLoop", Overheard):
        outcome = rehearse(load_night(orders_for(folder, **changes)), options, events.append)
    return GuidedNight(outcome, events, seen, phases)
