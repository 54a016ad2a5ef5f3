"""Calibrating by asking for pulses and being given where the stars went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.guiding.calibrating.calibration import Calibration
from midwatch.imaging.guiding.guide_settings import SIDEREAL_ARCSEC_S, GuidePointing, GuideSettings
from midwatch.imaging.guiding.tracking import Shift

__all__ = ["Calibrator", "Done", "Failed", "PulseStep"]

FloatArray = NDArray[np.float64]
Direction = Literal["west", "east", "north", "south"]

# Pulses in which one direction should be covered: fewer and one bad frame spoils the slope, more
# and the drift of the mount has more time.
_PULSES = 8
_SHORTEST_MS, _LONGEST_MS = 50, 5000
# Motion in one pulse, as part of what was expected, from which the gears are taken to hold.
_HOLDS = 0.5
# Largest scatter about the straight line, as part of the length.
_CROOKED = 0.15
_SKEW_DEG = 20.0
# Factor by which the speeds may differ from the guide rate and from each other.
_SPEED = 2.5


@dataclass(frozen=True)
class PulseStep:
    """A pulse to perform; the next frame is then given.

    Attributes:
        direction: As named to the mount.
        duration_ms: For how long.
    """

    direction: Direction
    duration_ms: int


@dataclass(frozen=True)
class Done:
    """The calibration that came out."""

    calibration: Calibration


@dataclass(frozen=True)
class Failed:
    """Why there is no calibration: one sentence with values, and what to look at."""

    reason: str


@dataclass(frozen=True)
class _Point:
    leg: str
    pulsed_s: float
    time_s: float
    x_px: float
    y_px: float


class Calibrator:
    """West, back east, north until the gears hold and on, back south until play is known.

    Out and back on each axis, so that drift of the mount is separated from the answer to pulses.
    """

    def __init__(
        self, settings: GuideSettings, pointing: GuidePointing, start: Shift, time_s: float
    ) -> None:
        """Begin with where the stars are.

        Args:
            settings: Scale, guide rate, how far to move.
            pointing: Where the telescope points.
            start: Displacement of the stars before the first pulse.
            time_s: When that was.
        """
        self._settings, self._pointing = settings, pointing
        self._ra_px_s = _expected_px_s(settings, pointing.dec_deg)
        self._dec_px_s = _expected_px_s(settings, 0.0)
        self._leg = "west"
        self._pulsed_s = {"ra": 0.0, "dec": 0.0}
        self._points = [_Point("west", 0.0, time_s, start.x_px, start.y_px)]
        self._result: Done | Failed | None = None
        self._pulses = 0

    @property
    def expected_px(self) -> tuple[float, float]:
        """Where the stars may be looked for: where they were last."""
        last = self._points[-1]
        return last.x_px, last.y_px

    def next_step(self) -> PulseStep | Done | Failed:
        """Return what to do now; the same until the next `inform`."""
        if self._result is not None:
            return self._result
        direction: Direction = (
            "north" if self._leg == "clear" else self._leg  # type: ignore[assignment]
        )
        return PulseStep(direction, self._duration_ms())

    def inform(self, shift: Shift, time_s: float) -> None:
        """Take in where the stars are after the pulse that was asked for."""
        if self._result is not None:
            return
        self._pulses += 1
        axis = "ra" if self._leg in ("west", "east") else "dec"
        sign = 1.0 if self._leg in ("west", "north", "clear") else -1.0
        self._pulsed_s[axis] += sign * self._duration_ms() / 1e3
        self._points.append(_Point(self._leg, self._pulsed_s[axis], time_s, shift.x_px, shift.y_px))
        ended = self._leg_ended()
        if isinstance(ended, Failed):
            self._result = ended
        elif ended:
            self._turn()

    def _duration_ms(self) -> int:
        rate = self._ra_px_s if self._leg in ("west", "east") else self._dec_px_s
        wanted = 1e3 * self._settings.calibration_distance_px / _PULSES / rate
        return round(float(np.clip(wanted, _SHORTEST_MS, _LONGEST_MS)))

    def _begin_of(self, leg: str) -> int:
        """Index of the point at which a leg began: the last one before it."""
        return next(i for i, p in enumerate(self._points) if p.leg == leg and i > 0) - 1

    def _went_px(self, leg: str) -> float:
        first, last = self._points[self._begin_of(leg)], self._points[-1]
        return float(np.hypot(last.x_px - first.x_px, last.y_px - first.y_px))

    def _leg_ended(self) -> bool | Failed:
        step_px = self._settings.calibration_distance_px
        if self._leg in ("west", "north"):
            if self._pulses < self._settings.calibration_most_pulses:
                return self._went_px(self._leg) >= step_px and self._pulses >= 4
            return self._went_px(self._leg) >= step_px / 2 or self._too_little()
        if self._leg == "east":
            return self._pulsed_s["ra"] <= 1e-9
        if self._leg == "clear":
            a, b = self._points[-2:]
            moved = float(np.hypot(b.x_px - a.x_px, b.y_px - a.y_px))
            if moved >= _HOLDS * self._dec_px_s * self._duration_ms() / 1e3 and self._pulses >= 2:
                return True
            limit = self._settings.calibration_most_pulses
            return self._too_little() if self._pulses >= limit else False
        return self._back_south()

    def _back_south(self) -> bool | Failed:
        """Whether the stars have returned to where the north leg began."""
        first = self._points[self._begin_of("north")]
        turn = self._points[self._begin_of("south")]
        last = self._points[-1]
        along = np.array([turn.x_px - first.x_px, turn.y_px - first.y_px])
        back = np.array([turn.x_px - last.x_px, turn.y_px - last.y_px])
        share = float(back @ along) / float(along @ along)
        if share >= 0.9:
            return True
        if self._pulses < 2 * self._settings.calibration_most_pulses:
            return False
        return Failed(
            f"declination came back only {100 * share:.0f} percent of the way in "
            f"{self._pulses} pulses south: is there more play in the gears than that, or is the "
            "axis out of balance?"
        )

    def _too_little(self) -> Failed:
        seconds = self._pulses * self._duration_ms() / 1e3
        name = "north" if self._leg == "clear" else self._leg
        return Failed(
            f"the stars moved only {self._went_px(self._leg):.1f} px in {seconds:.1f} s of "
            f"pulses {name}, {self._settings.calibration_distance_px:.0f} px were wanted: does the "
            "mount track, and does it obey pulses?"
        )

    def _turn(self) -> None:
        order = ["west", "east", "clear", "north", "south"]
        at = order.index(self._leg)
        self._pulses = 0
        if at + 1 < len(order):
            self._leg = order[at + 1]
        else:
            self._result = self._finish()

    def _finish(self) -> Done | Failed:
        west, ra_scatter, ra_error = self._line(("west", "east"))
        north, dec_scatter, dec_error, play_s = self._line_with_play()
        wrong = _crooked("RA", ra_scatter, self._settings) or _crooked(
            "declination", dec_scatter, self._settings
        )
        if wrong is not None:
            return wrong
        calibration = Calibration(
            west_px_s=(float(west[0]), float(west[1])),
            north_px_s=(float(north[0]), float(north[1])),
            dec_deg=self._pointing.dec_deg,
            pier_side=self._pointing.pier_side,
            scale_arcsec_px=self._settings.scale_arcsec_px,
            binning=self._settings.binning,
            dec_backlash_ms=1e3 * max(play_s, 0.0),
            error_px_s=max(ra_error, dec_error),
            measured_s=self._points[-1].time_s,
        )
        return _judged(calibration, self._settings)

    def _line(self, legs: tuple[str, ...]) -> tuple[FloatArray, float, float]:
        """Fit place against pulsed time with drift; return rate (2,), scatter and its error."""
        points = [p for p in self._points if p.leg in legs]
        pulsed = np.array([p.pulsed_s for p in points])
        time = np.array([p.time_s for p in points])
        place = np.array([(p.x_px, p.y_px) for p in points])
        base = np.stack([np.ones_like(pulsed), pulsed, time - time.mean()], axis=1)
        fit, scatter, error = _fitted(base, place)
        return fit[1], scatter, error[1]

    def _line_with_play(self) -> tuple[FloatArray, float, float, float]:
        """Fit both declination legs with one rate, the return offset by the play."""
        turn = self._points[self._begin_of("south")]
        out = [p for p in self._points if p.leg == "north"]
        out.insert(0, self._points[self._begin_of("north")])
        towards = np.array([out[0].x_px - turn.x_px, out[0].y_px - turn.y_px])
        towards /= np.hypot(*towards)
        # Points still in the play lie on neither line.
        clear_px = max(1.5, 0.15 * self._settings.calibration_distance_px)
        back = [
            p
            for p in self._points
            if p.leg == "south"
            and np.array([p.x_px - turn.x_px, p.y_px - turn.y_px]) @ towards > clear_px
        ]
        pulsed = np.array([p.pulsed_s for p in out + back])
        returning = np.array([0.0] * len(out) + [1.0] * len(back))
        place = np.array([(p.x_px, p.y_px) for p in out + back])
        base = np.stack([np.ones_like(pulsed), pulsed, returning], axis=1)
        fit, scatter, error = _fitted(base, place)
        rate2 = float(fit[1] @ fit[1])
        return fit[1], scatter, error[1], float(fit[2] @ fit[1]) / max(rate2, 1e-12)


def _expected_px_s(settings: GuideSettings, dec_deg: float) -> float:
    # Near the pole pulses would become endless.
    cos_dec = max(float(np.cos(np.radians(dec_deg))), 0.1)
    return settings.guide_rate * SIDEREAL_ARCSEC_S * cos_dec / settings.scale_arcsec_px


def _fitted(base: FloatArray, place: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """Return coefficients (K, 2), rms residual, and standard errors (K,) of a linear fit."""
    fit = np.linalg.pinv(base) @ place
    rest = place - base @ fit
    freedom = max(len(base) - base.shape[1], 1)
    scatter = float(np.sqrt((rest**2).sum() / (2.0 * freedom)))
    inverse = np.linalg.pinv(base.T @ base)
    return fit, scatter, scatter * np.sqrt(np.maximum(np.diag(inverse), 0.0))


def _crooked(axis: str, scatter_px: float, settings: GuideSettings) -> Failed | None:
    bound = max(_CROOKED * settings.calibration_distance_px, 1.0)
    if scatter_px <= bound:
        return None
    return Failed(
        f"the stars did not move in a straight line in {axis}: {scatter_px:.1f} px off it, "
        f"{bound:.1f} px allowed; wind, a loose camera, or cloud?"
    )


def _judged(calibration: Calibration, settings: GuideSettings) -> Done | Failed:
    """Refuse a calibration that no mount could have."""
    skew = calibration.orthogonality_error_deg
    if abs(skew) > _SKEW_DEG:
        return Failed(
            f"the axes are {90 - skew:.0f} degrees apart where 90 are expected: did the stars "
            "move with the pulses, or with something else?"
        )
    ra, dec = calibration.ra_rate_px_s, calibration.dec_rate_px_s
    expected_ra = calibration.expected_ra_rate_px_s(settings.guide_rate)
    cos_dec = max(float(np.cos(np.radians(calibration.dec_deg))), 0.05)
    for name, value, wanted in (
        ("RA speed", ra, expected_ra),
        ("declination speed", dec, expected_ra / cos_dec),
        ("RA speed at the equator", ra / cos_dec, dec),
    ):
        if not 1.0 / _SPEED < value / wanted < _SPEED:
            return Failed(
                f"{name} is {value:.2f} px/s where {wanted:.2f} px/s are expected at "
                f"{settings.guide_rate} x sidereal: check the guide rate, focal length and pixel "
                "size that are set"
            )
    return Done(calibration)
