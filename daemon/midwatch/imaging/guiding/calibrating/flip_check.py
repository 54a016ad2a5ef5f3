"""Two short pulses that show how an old calibration holds after the telescope was turned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from midwatch.imaging.guiding.calibrating.calibration import Calibration
from midwatch.imaging.guiding.calibrating.calibrator import Failed, PulseStep
from midwatch.imaging.guiding.guide_settings import GuidePointing
from midwatch.imaging.guiding.tracking import Shift

__all__ = ["FlipCheck", "Holds"]

# Motion that distinguishes one way from the other beyond seeing and drift.
_SEEN_PX = 5.0
_PULSES = 3
_MOST_PULSES = 15
# Direction along which the stars must move, as cosine: 30 degrees.
_ALONG = 0.87


@dataclass(frozen=True)
class Holds:
    """How the calibration holds.

    Attributes:
        turned: The camera sees the sky turned by 180 degrees.
        dec_follows_sky: A pulse "north" still moves north.
    """

    turned: bool
    dec_follows_sky: bool


class FlipCheck:
    """Pulses west, then north, until each has moved the stars."""

    def __init__(
        self, calibration: Calibration, pointing: GuidePointing, start: Shift, step_px: float
    ) -> None:
        """Begin with where the stars are; each axis is moved by `step_px` at most 12 px."""
        self._steering = calibration.steering(pointing, turned=False, dec_follows_sky=True)
        self._seen_px = min(max(step_px / 2.0, _SEEN_PX), 12.0)
        self._start = np.array([start.x_px, start.y_px])
        self._last = self._start
        self._axis = 0
        self._pulses = 0
        self._signs: list[float] = []
        self._failed: Failed | None = None

    @property
    def expected_px(self) -> tuple[float, float]:
        """Where the stars were last."""
        return float(self._last[0]), float(self._last[1])

    def next_step(self) -> PulseStep | Holds | Failed:
        """Return what to do now; the same until the next `inform`."""
        if self._failed is not None:
            return self._failed
        if len(self._signs) == 2:
            turned = self._signs[0] < 0
            # Turned and following the sky: the stars go the other way on a pulse north too.
            return Holds(turned, (self._signs[1] < 0) == turned)
        axis = self._steering.west_px_s if self._axis == 0 else self._steering.north_px_s
        duration_ms = 1e3 * self._seen_px / _PULSES / float(np.hypot(*axis))
        return PulseStep("west" if self._axis == 0 else "north", max(round(duration_ms), 1))

    def inform(self, shift: Shift) -> None:
        """Take in where the stars are after the pulse that was asked for."""
        self._last = np.array([shift.x_px, shift.y_px])
        self._pulses += 1
        moved = self._last - self._start
        length = float(np.hypot(*moved))
        if length >= 0.8 * self._seen_px:
            axis = self._steering.west_px_s if self._axis == 0 else self._steering.north_px_s
            along = float(moved @ axis) / (length * float(np.hypot(*axis)))
            if abs(along) < _ALONG:
                self._failed = Failed(
                    "the stars move along neither axis of the saved calibration: the camera has "
                    "been turned"
                )
                return
            self._signs.append(float(np.sign(along)))
            self._axis, self._pulses, self._start = self._axis + 1, 0, self._last
        elif self._pulses >= _MOST_PULSES:
            name = "west" if self._axis == 0 else "north"
            self._failed = Failed(
                f"the stars moved only {length:.1f} px in {self._pulses} check pulses {name}"
            )
