"""A focuser, a telescope and a sky in numbers, for focus runs without devices.

Radii as geometry gives them: half the light of a disc is inside 0.7071 of its radius, added in
quadrature to a floor of seeing; the backlash of a gear; noise of 3 percent, gusts that shake one
frame in eight, and clouds that take stars and light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from midwatch.imaging.focus_samples import FocusMeasure
from midwatch.imaging.focus_search import FocusSearch, FocusTask, zone_blur_px
from midwatch.sky.geometry import critical_focus_zone_um

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
        search.tell(truth.measure(search.wanted.position, search.wanted.from_below))
    return search, truth
