"""A focuser, a telescope and a sky in numbers, for focus runs without devices.

Radii as geometry gives them: half the light of a disc is inside 0.7071 of its radius, added in
quadrature to a floor of seeing; the backlash of a gear; noise of 3 percent, gusts that shake one
frame in eight, and clouds that take stars and light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from midwatch.devices.contract import Driver
from midwatch.devices.contract.kinds import Move
from midwatch.imaging import Frame
from midwatch.imaging.focus import FocusMeasure, FocusSearch, FocusTask, zone_blur_px
from midwatch.imaging.stars import measure_stars
from midwatch.sequencer.camera import FrameMeasures
from midwatch.sky import critical_focus_zone_um
from midwatch_plugins.duties.focusing import measure_of
from midwatch_simulators.instruments.simulated_camera import make as make_camera
from midwatch_simulators.instruments.simulated_focuser import make as make_focuser
from support.simulators_bench import Bench, connected, on_bench, point, shot

LOWEST, HIGHEST = 80, 30_000


@dataclass(frozen=True)
class Optics:
    """Of one rig; seeing_um is the half-flux radius at focus on the chip."""

    f_ratio: float
    pixel_um: float
    seeing_um: float
    steps_per_um: float = 1.0
    obstructed: bool = False

    @property
    def zone_steps(self) -> float:
        return critical_focus_zone_um(550.0, self.f_ratio) * self.steps_per_um

    @property
    def blur_px(self) -> float:
        return zone_blur_px(550.0, self.f_ratio, self.pixel_um)

    def hfr_px(self, away_steps: float) -> float:
        radius_um = abs(away_steps) / self.steps_per_um / self.f_ratio / 2.0
        share = 0.7492 if self.obstructed else 0.7071
        return math.hypot(self.seeing_um, share * radius_um) / self.pixel_um


# f/4.9 and f/5.9 as the demo rigs, a slow one with an obstruction, a fine-stepped one.
OPTICS = (
    Optics(4.94, 5.4, 5.2),
    Optics(5.9, 4.8, 4.6),
    Optics(7.0, 3.76, 7.5, obstructed=True),
    Optics(6.0, 3.76, 4.0, steps_per_um=4.3),
)


@dataclass
class Truth:
    """One run's sky and focuser."""

    optics: Optics
    best: float
    rng: np.random.Generator
    noise: float = 0.03
    wind: float = 0.12
    cloud: float = 0.06
    backlash: float = 60.0
    _tube: float = 0.0

    def __post_init__(self) -> None:
        self._tube = self.best

    def measure(self, position: int, from_below: bool) -> FocusMeasure:
        for stop in ([position - 80] if from_below else []) + [position]:
            self._tube = min(max(self._tube, float(stop)), stop + self.backlash)
        true = self.optics.hfr_px(self._tube - self.best)
        floor = self.optics.hfr_px(0.0)
        hfr = true * (1.0 + self.noise * float(self.rng.standard_normal()))
        if self.rng.random() < self.wind:
            hfr = math.hypot(hfr, floor * float(self.rng.uniform(0.8, 2.5)))
        light = 1.0
        if self.rng.random() < self.cloud:
            light = float(self.rng.uniform(0.0, 0.5))
            hfr *= 1.0 + 0.1 * float(self.rng.standard_normal())
        # Fewer stars stand out of the noise, the wider each is spread.
        stars = int(400 * light * (floor / true) ** 0.8)
        if stars < 5:
            return FocusMeasure(None, None, stars, None)
        return FocusMeasure(hfr, None, stars, 1e6 * light)


def run(
    optics: Optics, off_zones: float, seed: int, *, scaled: bool = True, **weather: float
) -> tuple[FocusSearch, Truth]:
    """Do one run that begins so many zones from focus; return search and truth."""
    rng = np.random.default_rng(seed)
    start = 15_000
    truth = Truth(optics, start - off_zones * optics.zone_steps, rng, **weather)
    task = FocusTask(
        start=start,
        step=round(1.2 * optics.zone_steps),
        zone_steps=optics.zone_steps if scaled else None,
        blur_px=optics.blur_px,
        lowest=LOWEST,
        highest=HIGHEST,
    )
    search = FocusSearch(task)
    while search.wanted is not None:
        assert len(search.samples) < 60
        search.inform(truth.measure(search.wanted.position, search.wanted.from_below))
    return search, truth


# Pixels --------------------------------------------------------------------------------------

# Camera, optics and focuser as the demo rigs have them: (options, f ratio, zone in steps).
RIGS = {
    "harrier": {
        "width_px": 1200, "height_px": 900, "pixel_um": 5.4, "focal_length_mm": 420,
        "aperture_mm": 85,
    },
    "wren": {
        "width_px": 1300, "height_px": 1000, "pixel_um": 4.8, "bayer": "RGGB",
        "focal_length_mm": 360, "aperture_mm": 61,
    },
    # A mirror in the way of the light, on a chip like the first.
    "obstructed": {
        "width_px": 1200, "height_px": 900, "pixel_um": 5.4, "focal_length_mm": 600,
        "aperture_mm": 130, "obstruction": 0.35,
    },
}  # fmt: skip
PIXEL_BEST = 15_000


def pixel_optics(rig: str) -> Optics:
    options = RIGS[rig]
    return Optics(
        options["focal_length_mm"] / options["aperture_mm"], options["pixel_um"], 5.0,
        obstructed=bool(options.get("obstruction")),
    )  # fmt: skip


def pixel_run(rig: str, off_zones: float, seed: int, exposure_s: float = 4.0) -> FocusSearch:
    """Do one run on rendered frames of a simulated camera behind a simulated focuser.

    The tube's temperature stays at that for which best focus is stated, so that the truth is
    `PIXEL_BEST` throughout.
    """
    optics = pixel_optics(rig)

    async def main(bench: Bench) -> FocusSearch:
        focuser = await connected(
            make_focuser(bench.context("focuser", best_position=PIXEL_BEST, slope_steps_per_c=0.0))
        )
        camera = await connected(make_camera(bench.context("camera", **RIGS[rig])))
        point(bench)
        search = FocusSearch(
            FocusTask(
                start=round(PIXEL_BEST + off_zones * optics.zone_steps),
                step=round(1.2 * optics.zone_steps),
                zone_steps=optics.zone_steps,
                blur_px=optics.blur_px,
                lowest=LOWEST,
                highest=HIGHEST,
            )
        )
        while (wanted := search.wanted) is not None:
            if wanted.from_below:
                await focuser.perform(Move(position=wanted.position - LOWEST))
            await focuser.perform(Move(position=wanted.position))
            longer = 3.0 if search.coarse and wanted.why == "find" else 1.0
            search.inform(await _look(bench, camera, longer * exposure_s))
        return search

    found: FocusSearch = on_bench(main, seed=seed)
    return found


def pixel_sizes(
    rig: str, offsets_zones: tuple[float, ...], seed: int, exposure_s: float = 4.0
) -> list[FocusMeasure]:
    """Return what frames at these distances from focus show."""

    async def main(bench: Bench) -> list[FocusMeasure]:
        focuser = await connected(
            make_focuser(bench.context("focuser", best_position=PIXEL_BEST, slope_steps_per_c=0.0))
        )
        camera = await connected(make_camera(bench.context("camera", **RIGS[rig])))
        point(bench)
        seen = []
        for off in offsets_zones:
            position = round(PIXEL_BEST + off * pixel_optics(rig).zone_steps)
            await focuser.perform(Move(position=position - LOWEST))
            await focuser.perform(Move(position=position))
            seen.append(await _look(bench, camera, exposure_s))
        return seen

    found: list[FocusMeasure] = on_bench(main, seed=seed)
    return found


async def _look(bench: Bench, camera: Driver, exposure_s: float) -> FocusMeasure:
    ref = await shot(camera, frame="focus", exposure_s=exposure_s)
    pixels, _ = bench.spools["camera"].frames[ref.sha256]
    bench.spools["camera"].drop(ref.sha256)
    found = measure_stars(Frame(pixels, bayer=ref.bayer, saturation_adu=float(ref.saturation_adu)))
    measures = FrameMeasures(
        stars=found.count,
        hfr_px=found.hfr_px if math.isfinite(found.hfr_px) else None,
        fwhm_arcsec=None,
        elongation=None,
        background_adu=found.background_adu,
        noise_adu=found.noise_adu,
        saturated_stars=found.saturated_count,
        table=found.stars,
    )
    return measure_of(measures, exposure_s)
