"""Declination guided through the numeric mount's gears, without frames: only what they would show.

The real steering (both controllers, pulses whole milliseconds long) against a plain proportional
rule on the same mount, seeing and measurements.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from midwatch.imaging.guiding import GuidePointing, GuideSettings
from midwatch.imaging.guiding.calibrating import Calibration
from midwatch.imaging.guiding.steering import GuideController, GuidePulse, Memory
from midwatch.imaging.guiding.tracking import Shift
from support.guiding_bench import Habits, NumberMount, Sky, Wander

EXPOSURE_S, CYCLE_S = 2.0, 2.5
STARS = 6
# What a calibration makes of the play: some of it is always missed.
SEEN_PLAY = 0.9
# Pulses of the plain rule: the same limits as the program's.
SHORTEST_MS, LONGEST_MS = 10, 2000


@dataclass(frozen=True)
class DecRow:
    """A row of the table; lengths in arcseconds on the sky.

    Attributes:
        seeing: How many times the seeing of a good night.
        play_arcsec: Motor motion lost at each reversal.
        drift_arcsec_min: Drift of the uncorrected axis.
    """

    seeing: float
    play_arcsec: float
    drift_arcsec_min: float

    def habits(self) -> Habits:
        return Habits(
            drift_ra_arcsec_min=0.0, waves=(), dec_play_arcsec=self.play_arcsec,
            drift_dec_arcsec_min=self.drift_arcsec_min,
        )  # fmt: skip


class DecSky:
    """Seeing of the mean of the guide stars in one exposure, in declination."""

    def __init__(self, seeing: float, seed: int) -> None:
        sky = Sky()
        self._rng = np.random.default_rng((seed, 5))
        self._common = Wander(seeing * sky.common_arcsec, sky.memory_s, self._rng, 0.25)
        self._own = seeing * sky.own_arcsec / math.sqrt(STARS)

    def at(self, began_s: float) -> float:
        shared = [self._common.at(began_s + share * EXPOSURE_S) for share in (0.1, 0.35, 0.6, 0.85)]
        return float(np.mean(shared)) + self._own * self._rng.normal()


@dataclass(frozen=True)
class DecRun:
    """True errors of the mount (N,), about their mean, and the declination pulses (N,) in ms."""

    time_s: np.ndarray
    error_arcsec: np.ndarray
    pulses_ms: np.ndarray

    def rms(self, from_s: float = 0.0) -> float:
        return float(np.std(self.error_arcsec[self.time_s >= from_s]))

    def blur(self, from_s: float, exposure_s: float = 300.0) -> float:
        """Rms within light frames of some length, each about its own mean."""
        kept = self.error_arcsec[self.time_s >= from_s]
        length = round(exposure_s / CYCLE_S)
        frames = kept[: len(kept) // length * length].reshape(-1, length)
        return float(np.sqrt(frames.var(axis=1).mean()))


def steered(row: DecRow, seed: int, seconds: float, **settings: object) -> DecRun:
    """The program's steering, from a calibration that has seen most of the play."""
    mount = NumberMount(row.habits(), seed=seed)
    rate = mount.guide_arcsec_s
    loop = GuideSettings.model_validate({"scale_arcsec_px": 1.0} | settings)
    calibration = Calibration(
        west_px_s=(rate, 0.0), north_px_s=(0.0, rate), dec_deg=mount.dec_deg, pier_side="east",
        scale_arcsec_px=1.0, dec_backlash_ms=1e3 * SEEN_PLAY * row.play_arcsec / rate,
    )  # fmt: skip
    steering = calibration.steering(_pointing(mount), turned=False, dec_follows_sky=True)
    controller = GuideController(loop, steering, calibration, Memory())
    asked: tuple[GuidePulse, ...] = ()

    def decide(began_s: float, seen: float) -> float:
        nonlocal asked
        controller.performed(asked)
        shift = Shift(0.0, seen, np.eye(2) * 1e-4, STARS, 50.0, 1.5, 1.0)
        asked = controller.steer(began_s + EXPOSURE_S / 2, began_s, shift).pulses
        asked = tuple(p for p in asked if p.direction in ("north", "south"))
        return sum(p.duration_ms if p.direction == "north" else -p.duration_ms for p in asked)

    return _closed(mount, DecSky(row.seeing, seed), seconds, decide)


def proportional(row: DecRow, seed: int, seconds: float, gain: float) -> DecRun:
    """A plain rule: a part of the last error, whatever it is, and nothing else."""
    mount = NumberMount(row.habits(), seed=seed)

    def decide(_: float, seen: float) -> float:
        length = min(round(1e3 * gain * abs(seen) / mount.guide_arcsec_s), LONGEST_MS)
        return 0.0 if length < SHORTEST_MS else -math.copysign(length, seen)

    return _closed(mount, DecSky(row.seeing, seed), seconds, decide)


def _closed(
    mount: NumberMount, sky: DecSky, seconds: float, decide: Callable[[float, float], float]
) -> DecRun:
    times: list[float] = []
    errors: list[float] = []
    pulses: list[float] = []
    for began_s in np.arange(0.0, seconds, CYCLE_S):
        instants = began_s + EXPOSURE_S * (np.arange(4) + 0.5) / 4
        truth = [mount.error(float(t))[1] for t in instants]
        seen = float(np.mean(truth)) + sky.at(float(began_s))
        pulse = decide(float(began_s), seen)
        if pulse:
            mount.pulse("north" if pulse > 0 else "south", abs(pulse))
        times.append(float(began_s))
        errors.append(float(np.mean(truth)))
        pulses.append(pulse)
    return DecRun(np.array(times), np.array(errors), np.array(pulses))


def _pointing(mount: NumberMount) -> GuidePointing:
    return GuidePointing(dec_deg=mount.dec_deg, pier_side="east")
