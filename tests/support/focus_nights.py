"""What tests and benchmarks of refocusing share: cold nights, and the truth about their frames."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal

import yaml

from midwatch.journal.facts import DecisionMade, Fact, FocusFollowed, FocusRun, FrameRead, Sample
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.orders.reading import load_night
from midwatch.runtime.night import NightOutcome
from midwatch.runtime.rehearsal import RehearsalOptions, rehearse
from midwatch.sky import critical_focus_zone_um
from midwatch_simulators.sky import Beam, Sensor, SkyView
from midwatch_simulators.sky.star_image import Blur, psf_of

CONFIGS = Path(__file__).parent.parent.parent / "configs"
# Zenith seeing of 2.5 arcsec and 5 um of optics on 5.4 um pixels at 420 mm, as the demo rig has.
USUAL_FWHM_PX = (2.5**2 + 2.45**2) ** 0.5 / 2.652

POLICIES: dict[str, dict[str, Any]] = {
    "learned": {},
    # The same clock for everything else: only time asks for a run.
    "every 60 min": {
        "temperature_c": None, "hfr_percent": None, "defocus_percent": None,
        "follow_temperature": False, "every_min": 60,
    },
}  # fmt: skip


@dataclass
class FocusNight:
    """A rehearsed night.

    Attributes:
        ratios: half-flux radius of every accepted light over that of the same light in focus,
            both of the image that the simulator made.
        defocus_px: radius of the blur of those lights.
        lights_px: the same of every light that was read out, whatever its grade.
    """

    outcome: NightOutcome
    events: list[Event]
    ratios: list[float] = field(default_factory=list)
    defocus_px: list[float] = field(default_factory=list)
    lights_px: list[float] = field(default_factory=list)

    def of(self, kind: type[Fact]) -> list[Any]:
        return [event.fact for event in self.events if isinstance(event.fact, kind)]

    @property
    def runs(self) -> list[FocusRun]:
        return self.of(FocusRun)

    @property
    def followed(self) -> list[FocusFollowed]:
        return self.of(FocusFollowed)

    @property
    def decisions(self) -> list[DecisionMade]:
        return self.of(DecisionMade)


def cold_orders(
    folder: Path,
    policy: str = "learned",
    fall_c: float = 12.0,
    best_position: int = 15_000,
    targets: int = 2,
    weather: Mapping[str, float] | None = None,
    focuser: Mapping[str, float] | None = None,
) -> Path:
    """Write the demo's orders for a rig in a dry night that cools; returns the orders file.

    `weather` and `focuser` are options of these simulated devices.
    """
    for name in ("sites", "rigs"):
        shutil.copytree(CONFIGS / name, folder / name, dirs_exist_ok=True)
    path = folder / "rigs" / "harrier.yaml"
    rig = yaml.safe_load(path.read_text())
    rig["devices"]["weather"]["options"] = {
        "evening_c": 6, "night_fall_c": fall_c, "humidity_percent": 30,
        **(weather or {}),
    }  # fmt: skip
    rig["devices"]["focuser"]["options"] |= {"best_position": best_position, **(focuser or {})}
    rig["focus"] |= POLICIES[policy]
    path.write_text(yaml.safe_dump(rig))
    orders = yaml.safe_load((CONFIGS / "orders" / "first-night.yaml").read_text())
    orders["standing_orders"], orders["calibration"] = [], {}
    orders["targets"] = orders["targets"][:targets]
    (folder / "orders").mkdir(exist_ok=True)
    written = folder / "orders" / "night.yaml"
    written.write_text(yaml.safe_dump(orders))
    return written


def rehearse_night(
    orders: Path, data: Path, seed: int, evening: date, sky: Literal["fast", "pixels"] = "fast"
) -> FocusNight:
    """Rehearse a night and look over the simulated camera's shoulder."""
    data.mkdir(exist_ok=True)
    events: list[Event] = []
    seen: dict[float, Blur] = {}
    look = Beam.look

    def watched(
        self: Beam, sensor: Sensor, began_s: float, exposure_s: float, *, shutter: bool
    ) -> SkyView:
        view = look(self, sensor, began_s, exposure_s, shutter=shutter)
        seen[round(began_s, 3)] = view.blur
        return view

    Beam.look = watched  # type: ignore[method-assign]
    try:
        outcome = rehearse(load_night(orders), RehearsalOptions(seed, sky, data, evening),
                           events.append)  # fmt: skip
    finally:
        Beam.look = look  # type: ignore[method-assign]
    night = FocusNight(outcome, events)
    record = NightRecord.from_events(events)
    for frame in record.frames.values():
        if frame.is_light and isinstance(frame.read, FrameRead):
            blur = seen[round(frame.read.began_utc_s, 3)]
            night.lights_px.append(blur.disc_radius)
            if not frame.accepted:
                continue
            night.ratios.append(growth_by_defocus(blur))
            night.defocus_px.append(blur.disc_radius)
    return night


def growth_by_defocus(blur: Blur) -> float:
    """Return the half-flux radius of a blur over that of the same blur in focus."""
    sharp = psf_of(dataclasses.replace(blur, disc_radius=0.0))
    return psf_of(blur).half_flux_radius() / sharp.half_flux_radius()


def beyond_zone(night: FocusNight) -> float:
    """Return the share of a night's lights that lie outside the critical focus zone."""
    edge_px = 0.5 * critical_focus_zone_um(550.0, 420.0 / 85.0) * 85.0 / 420.0 / 2.0 / 5.4
    return sum(disc_px > edge_px for disc_px in night.lights_px) / len(night.lights_px)


def allowed_defocus_um(growth: float = 1.10) -> float:
    """Return the defocus of the demo rig at which stars of usual seeing have grown so much."""
    low, high = 0.0, 100.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        radius_px = middle * 85.0 / 420.0 / 2.0 / 5.4
        grown = growth_by_defocus(Blur(moffat_fwhm=USUAL_FWHM_PX, disc_radius=radius_px))
        low, high = (middle, high) if grown < growth else (low, middle)
    return low


def necessary_runs(night: FocusNight, slope_um_per_c: float = 25.0) -> tuple[float, int]:
    """Return the shift of best focus while lights were taken, and the runs that it takes.

    The shift is that of the air; the tube follows it half an hour later. Without knowledge of the
    slope a run puts focus right for its moment, and the next is needed when the shift since has
    reached the allowed defocus: one run, and one more for each such step.
    """
    record = NightRecord.from_events(night.events)
    lights = [f for f in record.frames.values() if f.is_light and f.read is not None]
    began, ended = lights[0].began_utc_s, lights[-1].ended_utc_s
    air_c = [
        event.fact.air_c
        for event in night.events
        if isinstance(event.fact, Sample) and event.fact.air_c is not None
        and began <= event.at_utc_s <= ended
    ]  # fmt: skip
    shift_um = slope_um_per_c * (max(air_c) - min(air_c))
    return shift_um, 1 + int(shift_um / allowed_defocus_um())
