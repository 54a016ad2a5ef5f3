"""Nights of light frames as the simulated camera tells them, with what truly spoilt each one."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from midwatch.journal.facts import Grade
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.grading import Graded, LightFrame, judge, look_again
from midwatch.sky import Observer, Place, airmass, moon_altaz, sky_brightness_mag, sun_altaz
from midwatch_plugins.graders.baseline import Baseline
from midwatch_simulators.sky import (
    Air,
    CameraOptions,
    Sensor,
    SkyView,
    Spell,
    cloud_extinction_mag,
    facts_of,
)
from midwatch_simulators.sky.air import cloud_glow
from midwatch_simulators.sky.photometry import electrons_per_s, pixel_magnitude
from midwatch_simulators.sky.star_image import Blur, psf_of

OBSERVER = Observer(Place(46.2, 13.4, 1200.0))
RA_DEG, DEC_DEG = 210.802, 54.349
EXPOSURE_S, STEP_S = 300.0, 320.0
EXTINCTION_MAG = 0.172
# What makes a frame spoilt, or good; between the two it may be judged either way.
SPOILT_MAG, GOOD_MAG = 0.45, 0.12
SPOILT_GROWTH, GOOD_GROWTH = 1.40, 1.15


@dataclass(frozen=True)
class Scene:
    """A night of one target: what passes over it, by frame number.

    Attributes:
        cloud_percent: of a band at its middle; from, to and edge in frames.
        gust_ms: of a windy spell.
        slip_um: by which the focus is off from a frame on; refocused at another.
    """

    seed: int
    frames: int = 60
    began: datetime = datetime(2027, 3, 10, 19, 30, tzinfo=UTC)
    clouds: tuple[tuple[float, float, float, float], ...] = ()
    winds: tuple[tuple[float, float, float], ...] = ()
    slips: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Seen:
    """One frame: what the camera tells, and the truth."""

    light: LightFrame
    cloud_mag: float
    growth: float

    @property
    def truth(self) -> str:
        """Return spoilt, good, or between."""
        if self.cloud_mag >= SPOILT_MAG or self.growth >= SPOILT_GROWTH:
            return "spoilt"
        good = self.cloud_mag <= GOOD_MAG and self.growth <= GOOD_GROWTH
        return "good" if good else "between"


def frames_of(scene: Scene) -> Iterator[Seen]:
    """Expose a scene frame by frame."""
    sensor = Sensor(CameraOptions(sky_mode="fast"), 1)
    rng = np.random.default_rng(scene.seed)
    began_s = scene.began.timestamp()
    air = Air(
        seed=scene.seed,
        longitude_deg=13.4,
        clouds=tuple(
            Spell(clock="utc", start=began_s + a * STEP_S, end=began_s + b * STEP_S,
                  value=percent, edge_s=edge * STEP_S)
            for a, b, percent, edge in scene.clouds
        ),
        winds=tuple(
            Spell(clock="utc", start=began_s + a * STEP_S, end=began_s + b * STEP_S, value=more)
            for a, b, more in scene.winds
        ),
    )  # fmt: skip
    for number in range(scene.frames):
        yield _frame(scene, sensor, air, number, rng)


def _frame(scene: Scene, sensor: Sensor, air: Air, number: int, rng: np.random.Generator) -> Seen:
    options = sensor.options
    start_s = scene.began.timestamp() + number * STEP_S
    middle_s = start_s + EXPOSURE_S / 2.0
    times = start_s + EXPOSURE_S * (np.arange(9) + 0.5) / 9
    alt_deg = float(OBSERVER.altaz(RA_DEG, DEC_DEG, middle_s).alt_deg)
    mass = float(airmass(alt_deg))
    cover = [air.cloud_percent_at(float(time_s)) for time_s in times]
    clear = float(np.mean([10.0 ** (-0.4 * cloud_extinction_mag(c)) for c in cover]))
    glow = float(np.mean([cloud_glow(c) for c in cover]))
    zero = electrons_per_s(0.0, sensor.area_cm2, options.band_angstrom, options.efficiency)
    sky = float(sky_brightness_mag(OBSERVER, RA_DEG, DEC_DEG, middle_s, 21.3))
    surface = pixel_magnitude(sky, sensor.scale_arcsec)
    slip_um = sum(um for a, b, um in scene.slips if a <= number < b)
    shake = 0.12 * max(0.0, float(np.mean([air.gust_ms(float(t)) for t in times])) - 4.0)
    rms = (math.hypot(0.3, shake), math.hypot(0.33, shake))
    seeing = options.seeing_arcsec * air.seeing_factor(middle_s) * mass**0.6
    calm, real = (
        Blur(
            moffat_fwhm=math.hypot(seeing / sensor.scale_arcsec, options.optics_um / 5.4),
            disc_radius=um * options.aperture_mm / options.focal_length_mm / 2.0 / 5.4,
            jitter_xx=(ra / sensor.scale_arcsec) ** 2,
            jitter_yy=(dec / sensor.scale_arcsec) ** 2,
        ).rounded()
        for um, (ra, dec) in ((0.0, (0.3, 0.33)), (slip_um, rms))
    )
    ra_deg = RA_DEG + 0.004 * float(rng.standard_normal())
    view = SkyView(
        ra_deg=ra_deg, dec_deg=DEC_DEG, rotation_deg=0.0, stars=True,
        star_rate=zero * clear * 10.0 ** (-0.4 * EXTINCTION_MAG * mass),
        glow_e_s=glow * electrons_per_s(surface, sensor.area_cm2, options.band_angstrom,
                                        options.efficiency),
        blur=real,
    )  # fmt: skip
    facts = facts_of(view, sensor, EXPOSURE_S, -10.0, 100, 50, rng)
    light = LightFrame(
        target="M 101", filter="L", exposure_s=EXPOSURE_S, guided=True,
        exposure_id=f"x{number}", began_utc_s=start_s,
        stars=facts.stars, hfr_px=facts.hfr_px, elongation=facts.elongation,
        background_adu=facts.background_adu, noise_adu=facts.noise_adu,
        guide_rms_arcsec=math.hypot(*rms), guide_rms_px=math.hypot(*rms) / sensor.scale_arcsec,
        guide_lost_percent=0.0, offset_arcsec=15.0, altitude_deg=alt_deg, airmass=mass,
        sky_mag=float(sky_brightness_mag(OBSERVER, RA_DEG, DEC_DEG, middle_s, 22.0)),
        sun_alt_deg=float(sun_altaz(OBSERVER, middle_s).alt_deg),
        moon_alt_deg=float(moon_altaz(OBSERVER, middle_s).alt_deg),
        full_scale_adu=sensor.saturation_adu(100, 50), wind_ms=air.wind_ms_at(middle_s),
    )  # fmt: skip
    growth = psf_of(real).half_flux_radius() / psf_of(calm).half_flux_radius()
    return Seen(light, -2.5 * math.log10(clear), growth)


def graded(scene: Scene, bounds: GradingSettings | None = None) -> list[tuple[Seen, Grade]]:
    """Grade a scene as a night does, later looks included; return the final grades."""
    book: list[Graded] = []
    graders = {"baseline": Baseline()}
    bounds = bounds or GradingSettings()
    seen = []
    for frame in frames_of(scene):
        judge(graders, book, frame.light, bounds)
        for _ in look_again(graders, book, frame.light, bounds):
            pass
        seen.append(frame)
    return [(frame, entry.grade) for frame, entry in zip(seen, book, strict=True)]
