"""A mount in numbers and the guide frames that it would give, without any code of the program.

The error of each axis is a function of time (drift, periodic error, wander, gusts) plus what
pulses have done to it. Declination pulses pass through gear play and stiction. Frames hold a few
Gaussian stars, integrated over each pixel, with photon and read noise, scintillation, and image
motion of which all stars share a part. Sky axes: x of the frame is west and y north, turned by the
camera's angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

FloatArray = NDArray[np.float64]

SIDEREAL_ARCSEC_S = 15.04107  # 1296000 / 86164.0905


@dataclass(frozen=True)
class Sky:
    """Seeing as guide exposures of about two seconds show it: no source, common practice."""

    common_arcsec: float = 0.25
    own_arcsec: float = 0.25
    memory_s: float = 1.0
    scintillation: float = 0.03


@dataclass(frozen=True)
class Habits:
    """What is wrong with a mount; lengths in arcseconds on the sky."""

    drift_ra_arcsec_min: float = 0.3
    drift_dec_arcsec_min: float = 0.8
    waves: tuple[tuple[float, float, float], ...] = ((480.0, 2.5, 0.4), (120.0, 0.3, 1.1))
    wander_arcsec: float = 0.12
    wander_s: float = 15.0
    dec_play_arcsec: float = 0.5
    stiction_arcsec: float = 0.0
    gusts_per_min: float = 0.0
    gust_arcsec: float = 0.0
    dec_follows_sky: bool = True
    pulse_error: float = 0.02


SMOOTH = Habits()
# A portable mount: errors that are large, but mostly its own.
ROUGH = Habits(
    drift_ra_arcsec_min=1.0,
    drift_dec_arcsec_min=2.0,
    waves=((480.0, 15.0, 0.4), (240.0, 4.0, 2.0), (160.0, 2.0, 1.0), (77.0, 0.8, 0.3)),
    wander_arcsec=0.2,
    wander_s=12.0,
    dec_play_arcsec=4.0,
    stiction_arcsec=0.5,
    gusts_per_min=0.5,
    gust_arcsec=1.5,
)
# The same in a wind that nobody can foretell.
STORMY = replace(ROUGH, wander_arcsec=0.35, gusts_per_min=1.0)


@dataclass
class Wander:
    """An Ornstein-Uhlenbeck process on a fixed grid, the same for whoever asks when."""

    sigma: float
    memory_s: float
    rng: np.random.Generator
    step_s: float = 0.25
    values: list[float] = field(default_factory=lambda: [0.0])

    def at(self, time_s: float) -> float:
        index = time_s / self.step_s
        keep = math.exp(-self.step_s / self.memory_s)
        while len(self.values) < index + 2:
            kick = self.sigma * math.sqrt(1 - keep**2) * self.rng.normal()
            self.values.append(self.values[-1] * keep + kick)
        low = int(index)
        share = index - low
        return self.values[low] * (1 - share) + self.values[low + 1] * share


class NumberMount:
    """Two axes; `error(t)` is how far the telescope points east and north of its target."""

    def __init__(self, habits: Habits, *, dec_deg: float = 20.0, seed: int = 1) -> None:
        self.habits, self.dec_deg = habits, dec_deg
        self.guide_arcsec_s = 0.5 * SIDEREAL_ARCSEC_S
        # Which side of the pier the telescope is on, against where it began.
        self.flipped = False
        rngs = [np.random.default_rng((seed, i)) for i in range(5)]
        self._wander = [Wander(habits.wander_arcsec, habits.wander_s, rngs[i]) for i in (0, 1)]
        self._gusts = self._all_gusts(rngs[2])
        self._pulse_rng = rngs[3]
        self.east_arcsec = self.north_arcsec = 0.0
        self._motor_north = 0.0
        self._behind_play = 0.0
        self.target = (0.0, 0.0)

    def _all_gusts(self, rng: np.random.Generator) -> FloatArray:
        """Time, length, east and north push of the gusts of ten hours."""
        count = rng.poisson(self.habits.gusts_per_min * 600)
        return np.stack(
            [
                rng.uniform(0, 36000, count),
                rng.uniform(0.5, 3.0, count),
                self.habits.gust_arcsec * rng.normal(size=count),
                self.habits.gust_arcsec * rng.normal(size=count),
            ]
        )

    def steady(self, time_s: float) -> tuple[float, float]:
        """The part of the uncorrected error that could be foretold."""
        h = self.habits
        waves = sum(
            a * (math.sin(2 * math.pi * time_s / p + f) - math.sin(f)) for p, a, f in h.waves
        )
        return (
            h.drift_ra_arcsec_min * time_s / 60 + waves,
            h.drift_dec_arcsec_min * time_s / 60,
        )

    def error(self, time_s: float) -> tuple[float, float]:
        """Telescope east and north of the target."""
        ra, dec = self.steady(time_s)
        began, length, east, north = self._gusts
        blowing = (time_s >= began) & (time_s < began + length)
        shape = np.sin(np.pi * (time_s - began[blowing]) / length[blowing])
        return (
            ra + self._wander[0].at(time_s) + float(east[blowing] @ shape)
            + self.east_arcsec - self.target[0],
            dec + self._wander[1].at(time_s) + float(north[blowing] @ shape)
            + self.north_arcsec - self.target[1],
        )  # fmt: skip

    def pulse(self, direction: str, duration_ms: float) -> None:
        length = duration_ms / 1e3 * self.guide_arcsec_s
        length *= 1 + self.habits.pulse_error * self._pulse_rng.normal()
        if direction in ("east", "west"):
            sign = 1 if direction == "east" else -1
            self.east_arcsec += sign * length * math.cos(math.radians(self.dec_deg))
            return
        # On the other side the same turn of the motor moves the telescope the other way, unless
        # the mount sees to it.
        sign = 1 if direction == "north" else -1
        motor_sign = -1 if self.flipped and self.habits.dec_follows_sky else 1
        self._motor_north += sign * motor_sign * length
        play = self.habits.dec_play_arcsec
        low, high = self._motor_north - play / 2, self._motor_north + play / 2
        moved = min(max(self._behind_play, low), high) - self._behind_play
        if abs(moved) > self.habits.stiction_arcsec:
            self._behind_play += moved
            self.north_arcsec += moved * (-1 if self.flipped else 1)


@dataclass(frozen=True)
class Optics:
    scale_arcsec_px: float = 2.0
    angle_deg: float = 33.0
    fwhm_px: float = 2.6
    shape: tuple[int, int] = (220, 280)
    sky_adu: float = 200.0
    read_adu: float = 6.0


class GuideScope:
    """Renders what the guide camera sees of a mount."""

    def __init__(
        self,
        mount: NumberMount,
        *,
        optics: Optics = Optics(),
        sky: Sky = Sky(),
        stars: int = 8,
        flux: tuple[float, float] = (4e3, 4e4),
        hot: int = 0,
        seed: int = 1,
    ) -> None:
        self.mount, self.optics, self.sky = mount, optics, sky
        rng = np.random.default_rng((seed, 77))
        height, width = optics.shape
        places: list[tuple[float, float]] = []
        while len(places) < stars:
            x, y = rng.uniform(40, width - 40), rng.uniform(40, height - 40)
            if all(math.hypot(x - a, y - b) > 22 for a, b in places):
                places.append((x, y))
        self.places = np.array(places)
        self.flux = np.exp(rng.uniform(*np.log(flux), stars))
        self._common = [Wander(sky.common_arcsec, sky.memory_s, rng, 0.1) for _ in (0, 1)]
        self._rng = rng
        self.hot = np.stack([rng.integers(5, height - 5, hot), rng.integers(5, width - 5, hot)])
        self.hot_adu = np.exp(rng.uniform(np.log(2e3), np.log(5e4), hot))
        self.transparency = 1.0
        self.seeing_arcsec = np.zeros(2)

    def to_px(self, east_arcsec: float, north_arcsec: float) -> FloatArray:
        """How far the stars move on the frame when the telescope moves so."""
        turn = math.radians(self.optics.angle_deg + (180 if self.mount.flipped else 0))
        # A telescope that moves west lets the stars move towards +x of the camera at 0 degrees.
        x, y = (
            -east_arcsec / self.optics.scale_arcsec_px,
            north_arcsec / self.optics.scale_arcsec_px,
        )
        return np.array(
            [x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)]
        )

    def expose(
        self, began_s: float, exposure_s: float, *, blind: bool = False
    ) -> tuple[NDArray[np.uint16], FloatArray]:
        """Return pixels, and the true mount errors (T, 2) at instants during the exposure.

        The image motion that all stars shared meanwhile stays in `seeing_arcsec`. A `blind`
        exposure has no pixels, for those who do not look at them.
        """
        times = began_s + exposure_s * (np.arange(8) + 0.5) / 8
        truth = np.array([self.mount.error(float(t)) for t in times])
        motions = [[w.at(float(t)) for w in self._common] for t in times]
        self.seeing_arcsec = np.mean(motions, axis=0)
        east, north = truth.mean(axis=0) + self.seeing_arcsec
        if blind:
            return np.zeros(self.optics.shape, np.uint16), truth
        own = self.sky.own_arcsec / self.optics.scale_arcsec_px
        places = (
            self.places
            + self.to_px(float(east), float(north))
            + own * self._rng.normal(size=self.places.shape)
        )
        flux = self.flux * self.transparency
        flux = flux * np.exp(self.sky.scintillation * self._rng.normal(size=len(flux)))
        return self.render(places, flux), truth

    def render(self, places: FloatArray, flux: FloatArray) -> NDArray[np.uint16]:
        height, width = self.optics.shape
        image = np.full((height, width), self.optics.sky_adu)
        sigma = self.optics.fwhm_px / 2.354820
        half = math.ceil(5 * sigma) + 1
        for (x, y), light in zip(places, flux, strict=True):
            column, row = round(float(x)), round(float(y))
            c0, c1 = max(column - half, 0), min(column + half + 1, width)
            r0, r1 = max(row - half, 0), min(row + half + 1, height)
            if c0 >= c1 or r0 >= r1:
                continue
            image[r0:r1, c0:c1] += light * np.outer(
                _part(np.arange(r0, r1), y, sigma), _part(np.arange(c0, c1), x, sigma)
            )
        noise = np.sqrt(image + self.optics.read_adu**2)
        image += noise * self._rng.normal(size=image.shape) + 100.0
        image[self.hot[0], self.hot[1]] += self.hot_adu
        return np.clip(np.rint(image), 0, 65535).astype(np.uint16)


def _part(u: NDArray[np.int_], u0: float, sigma: float) -> FloatArray:
    edge = math.sqrt(2) * sigma
    part: FloatArray = 0.5 * (erf((u + 0.5 - u0) / edge) - erf((u - 0.5 - u0) / edge))
    return part


def calmer(sky: Sky, factor: float) -> Sky:
    return replace(
        sky, common_arcsec=sky.common_arcsec * factor, own_arcsec=sky.own_arcsec * factor
    )
