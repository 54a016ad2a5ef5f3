"""Steering both axes: shifts of the stars in, pulses out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field

from midwatch.imaging.guiding.calibrating import Calibration, Steering
from midwatch.imaging.guiding.guide_settings import GuideModel, GuideSettings
from midwatch.imaging.guiding.statistics import GuideHistory, GuideStatistics
from midwatch.imaging.guiding.steering.axis_control import AxisController, Correction
from midwatch.imaging.guiding.steering.backlash import Backlash
from midwatch.imaging.guiding.steering.spectrum import unguided_blur_arcsec
from midwatch.imaging.guiding.tracking import Shift

__all__ = ["GuideController", "GuidePulse", "Memory", "Steered"]

Direction = Literal["north", "south", "east", "west"]

# Harmonics learned with each period that the user gives.
_HARMONICS = 3
# The length of a cycle is learned; one this much longer was held up by something else.
_CYCLE_GAIN, _LONGEST_CYCLE = 0.2, 3.0
# Cycles between two looks at what is slow to compute and to change.
_SLOWLY = 20


@dataclass(frozen=True)
class GuidePulse:
    """A motion at the guide rate; the direction is the one named to the mount.

    Attributes:
        direction: What to ask the mount for.
        duration_ms: For how long, at least 1.
    """

    direction: Direction
    duration_ms: int


class Memory(GuideModel):
    """What is worth knowing on another night.

    Attributes:
        periods_s: Periods of the RA drive that were found.
        dec_play_arcsec: Play of the declination axis as learned since the calibration.
        dec_one_way: Whether declination was seen not to answer reversals.
        dec_follows_sky: Whether a pulse "north" moves north on both sides of the pier.
    """

    periods_s: tuple[float, ...] = ()
    dec_play_arcsec: float | None = Field(default=None, ge=0)
    dec_one_way: bool = False
    dec_follows_sky: bool | None = None


@dataclass(frozen=True)
class Steered:
    """What came of a frame.

    Attributes:
        pulses: To perform.
        measured_arcsec: Distance of the stars from the target; None when none was seen.
        estimated_arcsec: Distance of the telescope from it, seeing taken off.
    """

    pulses: tuple[GuidePulse, ...]
    measured_arcsec: float | None
    estimated_arcsec: float


class GuideController:
    """Both axis controllers, their conversions to pulses, and the figures about them."""

    def __init__(
        self,
        settings: GuideSettings,
        steering: Steering,
        calibration: Calibration,
        memory: Memory,
    ) -> None:
        self._settings = settings
        self.steering = steering
        declared = tuple(
            period / order for period in settings.periods_s for order in range(1, _HARMONICS + 1)
        )
        longest_s = settings.max_pulse_ms / 1e3
        self.ra = AxisController(
            most_arcsec=longest_s * steering.ra_rate_arcsec_s,
            least_arcsec=settings.smallest_correction_ra_arcsec,
            coast_s=settings.coast_s,
            periods_s=declared or memory.periods_s,
            seek_periods=not declared,
        )
        play = memory.dec_play_arcsec
        if play is None:
            play = calibration.dec_backlash_ms / 1e3 * steering.dec_rate_arcsec_s
        ways = settings.declination_corrections
        backlash = Backlash(play, ways, settings.smallest_correction_dec_arcsec)
        backlash.one_way = backlash.one_way or (ways == "automatic" and memory.dec_one_way)
        self.dec = AxisController(
            most_arcsec=longest_s * steering.dec_rate_arcsec_s,
            least_arcsec=settings.smallest_correction_dec_arcsec,
            coast_s=settings.coast_s,
            backlash=backlash,
        )
        self._backlash = backlash
        self._asked = (Correction(0.0, 0.0, 0.0, 0.0), Correction(0.0, 0.0, 0.0, 0.0))
        self._history = GuideHistory(settings.window_s)
        self._cycle_s = settings.cycle_s
        self._last_began_s: float | None = None
        self._cycles = 0
        self._blur_60s = float("nan")
        self._reported_period_s: float | None = None
        self._reported_one_way = backlash.one_way

    def expected_px(self, time_s: float) -> tuple[float, float]:
        """Return where the stars are expected relative to their target."""
        return self.steering.shift_px(
            self.ra.error(time_s).place_arcsec, self.dec.error(time_s).place_arcsec
        )

    def retarget(self, east_arcsec: float, north_arcsec: float) -> None:
        """Note that the target has moved."""
        self.ra.retarget(east_arcsec)
        self.dec.retarget(north_arcsec)
        self._history.clear()

    def settled(self, since_s: float) -> None:
        """Note that the target is reached: the way there is no error of guiding."""
        self._history.forget_before(since_s)
        self.dec.settled()

    def performed(self, pulses: tuple[GuidePulse, ...]) -> None:
        """Note the pulses that the mount has done since the last frame."""
        _, dec = self._asked
        east = north = 0.0
        for pulse in pulses:
            sign = 1.0 if pulse.direction in ("east", "north") else -1.0
            length = sign * pulse.duration_ms / 1e3
            if pulse.direction in ("east", "west"):
                east += length * self.steering.ra_rate_arcsec_s
            else:
                north += length * self.steering.sky_north_sign * self.steering.dec_rate_arcsec_s
        self.ra.performed(east)
        if dec.move_arcsec != 0.0 and north == 0.0:
            self._backlash.take_back()
        # The part that takes up play moves the motor only.
        slack = float(np.clip(abs(dec.slack_arcsec), 0.0, abs(north)))
        self._backlash.taken_up(slack)
        self.dec.performed(float(np.sign(north)) * (abs(north) - slack))
        self._asked = (Correction(0.0, 0.0, 0.0, 0.0), Correction(0.0, 0.0, 0.0, 0.0))

    def steer(self, time_s: float, began_s: float, shift: Shift | None) -> Steered:
        """Take in a frame.

        Args:
            time_s: Middle of the exposure.
            began_s: Its beginning.
            shift: Displacement of the stars; None when none was seen.
        """
        self._learn_cycle(began_s)
        self._cycles += 1
        ra_measured = dec_measured = measured = None
        ra_error = dec_error = 0.0
        if shift is not None:
            ra_measured, dec_measured = self.steering.error_arcsec(shift.x_px, shift.y_px)
            covariance = self.steering.covariance_arcsec2(shift.covariance_px2)
            ra_error, dec_error = (float(e) for e in np.sqrt(np.diag(covariance)))
            measured = float(np.hypot(ra_measured, dec_measured))
        next_s = time_s + self._cycle_s
        ra = self.ra.step(time_s, ra_measured, ra_error, next_s)
        dec = self.dec.step(time_s, dec_measured, dec_error, next_s)
        self._asked = (ra, dec)
        if ra_measured is not None and dec_measured is not None:
            self._history.add(time_s, ra_measured, dec_measured, ra.move_arcsec, dec.move_arcsec)
        estimated = float(
            np.hypot(self.ra.error(time_s).place_arcsec, self.dec.error(time_s).place_arcsec)
        )
        return Steered(self._pulses(ra, dec), measured, estimated)

    def blur_arcsec(self, exposure_s: float) -> float:
        """Return the rms blur, both axes in quadrature, of an exposure without corrections."""
        ra, dec = (
            unguided_blur_arcsec(*axis.record, exposure_s, axis.estimator.noise_arcsec)
            for axis in (self.ra, self.dec)
        )
        return float(np.hypot(ra, dec))

    def remember(self, before: Memory) -> Memory:
        """Return what is worth keeping, besides what was known before."""
        found = self.ra.estimator.periods_s if self.ra.period_found_s is not None else ()
        return before.model_copy(
            update={
                "periods_s": found or before.periods_s,
                "dec_play_arcsec": self._backlash.play_arcsec,
                "dec_one_way": self._backlash.one_way and self._backlash.ways == "automatic",
            }
        )

    def news(self) -> list[tuple[str, str]]:
        """Return name and text of what was learned since it was last asked."""
        news: list[tuple[str, str]] = []
        period = self.ra.period_found_s
        if period is not None and (
            self._reported_period_s is None or abs(period / self._reported_period_s - 1.0) > 0.05
        ):
            self._reported_period_s = period
            news.append(("period_found", f"the RA drive repeats itself every {period:.0f} s"))
        if self._backlash.one_way and not self._reported_one_way:
            self._reported_one_way = True
            news.append(
                ("dec_one_way", "declination does not answer reversals; it is now guided one way")
            )
        return news

    def statistics(self, shift: Shift | None) -> GuideStatistics:
        """Return the figures over the window."""
        if self._cycles % _SLOWLY == 0 and self._cycles:
            self._blur_60s = self.blur_arcsec(60.0)
        figures = self._history.figures(
            self.ra.estimator.noise_arcsec, self.dec.estimator.noise_arcsec
        )
        unknown = float("nan")
        count = int(figures.pop("count"))
        return GuideStatistics(
            count=count,
            stars=0 if shift is None else shift.used,
            snr=unknown if shift is None else shift.snr,
            hfr_px=unknown if shift is None else shift.hfr_px,
            scale_arcsec_px=self.steering.scale_arcsec_px,
            drift_ra_arcsec_min=60.0 * self.ra.estimator.drift_arcsec_s,
            drift_dec_arcsec_min=60.0 * self.dec.estimator.drift_arcsec_s,
            period_s=unknown if self.ra.period_found_s is None else self.ra.period_found_s,
            periodic_amplitude_arcsec=self._largest_wave(),
            unguided_blur_60s_arcsec=self._blur_60s,
            **figures,
        )

    def _largest_wave(self) -> float:
        waves = [float(np.hypot(a, b)) for _, a, b in self.ra.estimator.waves]
        return max(waves, default=float("nan"))

    def _learn_cycle(self, began_s: float) -> None:
        if self._last_began_s is not None:
            cycle_s = began_s - self._last_began_s
            if 0.0 < cycle_s < _LONGEST_CYCLE * self._cycle_s:
                self._cycle_s += _CYCLE_GAIN * (cycle_s - self._cycle_s)
        self._last_began_s = began_s

    def _pulses(self, ra: Correction, dec: Correction) -> tuple[GuidePulse, ...]:
        wanted = (
            (self.steering.ra_pulse_ms(ra.move_arcsec), "east", "west"),
            (self.steering.dec_pulse_ms(dec.move_arcsec + dec.slack_arcsec), "north", "south"),
        )
        pulses: list[GuidePulse] = []
        for length_ms, forward, backward in wanted:
            duration_ms = min(round(abs(length_ms)), self._settings.max_pulse_ms)
            if duration_ms >= max(self._settings.min_pulse_ms, 1):
                direction: Direction = forward if length_ms > 0 else backward  # type: ignore[assignment]
                pulses.append(GuidePulse(direction, duration_ms))
        return tuple(pulses)
