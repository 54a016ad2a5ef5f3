"""Nights of focus in numbers: the simulator's air and lens, the real model, the night's rules.

Without devices, so that many nights take seconds: a light every 200 s, a reading of the probe every
300 s, runs that find best focus with an error of 3 steps, sizes of stars by seeing and defocus.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from midwatch.journal.facts import Fact, FocusRun, FrameBegun, FrameGraded, Sample
from midwatch.journal.store import Event
from midwatch.learning import FocusMemory, FocusModel, FocusScale, SizeScale
from midwatch_simulators.sky import Air, Wave

# The demo rig: f/4.94, 5.4 um pixels, one step a micrometre; 4.88 lambda N^2.
SCALE = FocusScale(65.5, 19.4, {"L": 0})
SIZES = SizeScale(65.5, 2.652, 0.5, blur_px_per_zone=0.868)
EVENING_S = 1_804_699_200.0  # 18:00 UTC on a 10th of March, longitude 0
_LIGHT_S, _RUN_S, _SAMPLE_S, _HOURS = 200.0, 100.0, 300.0, 9.5


@dataclass
class Seen:
    """What a night came to: defocus of every light in zones, runs, trust after each."""

    off_zones: list[float] = field(default_factory=list)
    runs: list[str] = field(default_factory=list)
    trusted: list[bool] = field(default_factory=list)
    model: FocusModel | None = None

    @property
    def beyond(self) -> float:
        """Share of lights beyond half of the zone."""
        return float(np.mean(np.abs(self.off_zones) > 0.5))


@dataclass(frozen=True)
class Weather:
    """Fall over the night and waves, degC and minutes; lags of probe and lens, minutes."""

    fall_c: float = 8.0
    wave_c: float = 0.0
    wave_min: float = 180.0
    probe_min: float = 3.0
    lens_min: float = 60.0
    slope: float = 25.0


class Story:
    """Nights in a row of one rig."""

    def __init__(self, weather: Weather, seed: int) -> None:
        self.weather = weather
        self.seed = seed
        self.events: list[Event] = []

    def night(self, number: int) -> Seen:
        """Live one night; what the nights before have taught is known."""
        return _Night(self, number).live()


class _Night:
    def __init__(self, story: Story, number: int) -> None:
        self.story, self.seen = story, Seen()
        self.name = f"2027-03-{10 + number:02d}"
        self.rng = np.random.default_rng((story.seed, number))
        weather = story.weather
        waves = ()
        if weather.wave_c:
            phase = float(self.rng.uniform())
            waves = (Wave(swing_c=weather.wave_c, period_s=60.0 * weather.wave_min, phase=phase),)
        self.air = Air(seed=story.seed + number, evening_c=6.0, night_fall_c=weather.fall_c,
                       waves=waves)  # fmt: skip
        self.base = 15_000.0 + 240.0 * number
        self.now_s = EVENING_S + 86_400.0 * number
        self.memory = FocusMemory(story.events, self.name, SCALE, None, SIZES)
        self.position = 15_000.0
        self.sampled_s, self.settled_c = -1.0, 0.0

    def live(self) -> Seen:
        # The rig is up an hour before the first frame.
        end_s, first_s = self.now_s + 3600.0 * _HOURS, self.now_s + 3600.0
        while self.now_s < end_s:
            if self.now_s - self.sampled_s >= _SAMPLE_S:
                self.sampled_s = self.now_s
                self.inform(Sample(focuser_c=self.probe_c()))
            if self.now_s < first_s:
                self.now_s += _SAMPLE_S
                continue
            why = self.due()
            if why is not None:
                self.run(why)
            else:
                self.light()
        self.seen.model = self.memory.model
        return self.seen

    def probe_c(self) -> float:
        true_c = self.air.body_c(self.now_s, 60.0 * self.story.weather.probe_min)
        return round(true_c + 0.05 * float(self.rng.normal()), 2)

    def best(self, at_s: float) -> float:
        weather = self.story.weather
        return self.base + weather.slope * (self.air.body_c(at_s, 60.0 * weather.lens_min) - 5.0)

    def due(self) -> str | None:
        """The rules of the rig file: 25 percent of the zone, or 1.5 degC while untrusted."""
        run, probe_c = self.memory.last_run, self.probe_c()
        if run is None:
            return "first"
        felt = self.memory.felt(self.now_s, probe_c)
        assert felt is not None
        model = self.memory.model
        shift, sigma = model.shift(run.felt, felt)
        wanted = run.position + shift
        if model.trusted and abs(wanted - self.position) > 0.08 * SCALE.zone_steps:
            self.position, self.settled_c = round(wanted), probe_c
        if not model.trusted and abs(probe_c - self.settled_c) >= 1.5:
            return "temperature"
        off = abs(wanted - self.position) + sigma
        return "defocus" if off >= 0.25 * SCALE.zone_steps else None

    def run(self, why: str) -> None:
        felt = self.memory.felt(self.now_s, self.probe_c())
        foretold = self.memory.model.predict(felt, "L")
        self.now_s += _RUN_S
        self.position = round(self.best(self.now_s - 0.5 * _RUN_S) + 3.0 * float(self.rng.normal()))
        self.settled_c = self.probe_c()
        self.inform(
            FocusRun(
                positions=(), hfr_px=(), filter="L", temperature_c=self.settled_c, ok=True,
                reason="", trigger=why, best_position=self.position, uncertainty_steps=3.0,
                best_hfr_px=1.0, foretold_position=foretold[0] if foretold else None,
                foretold_sigma_steps=foretold[1] if foretold else None,
            )
        )  # fmt: skip
        self.seen.runs.append(why)
        self.seen.trusted.append(self.memory.model.trusted)

    def light(self) -> None:
        name = f"{self.name}-{len(self.seen.off_zones)}"
        self.inform(
            FrameBegun(exposure_id=name, frame="light", target="t", order_index=0, filter="L",
                       exposure_s=180.0, gain=0, offset=0, binning=1)
        )  # fmt: skip
        middle_s = self.now_s + 0.5 * _LIGHT_S
        off = (self.position - self.best(middle_s)) / SCALE.zone_steps
        self.seen.off_zones.append(off)
        sharp = 0.75 * self.air.seeing_factor(middle_s)
        self.now_s += _LIGHT_S
        # A narrow disc under a Gaussian: variances add.
        hfr = math.hypot(sharp, math.sqrt(0.693) * SIZES.blur_px_per_zone * off)
        self.inform(
            FrameGraded(exposure_id=name, grade="accepted", stars=100, hfr_px=hfr, elongation=1.1,
                        altitude_deg=60.0, focus_position=round(self.position))
        )  # fmt: skip

    def inform(self, fact: Fact) -> None:
        events = self.story.events
        event = Event(len(events) + 1, self.now_s, self.name, fact, "")
        events.append(event)
        self.memory.hear(event)


def nights(weather: Weather, seed: int, count: int = 2) -> Iterator[Seen]:
    """Live nights in a row."""
    story = Story(weather, seed)
    for number in range(count):
        yield story.night(number)
