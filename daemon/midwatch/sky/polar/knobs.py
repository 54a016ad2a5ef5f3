"""Guidance for a person at the knobs of a polar axis, from one solved frame after another.

The mount's base turns by two knobs: azimuth about the vertical, altitude about the horizontal
line across the axis. While the mount tracks and nothing else moves, where a field has gone says by
how much each was turned, so every new frame gives the error that remains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from midwatch.sky.place import SIDEREAL_DEG_PER_S, Observer, Place
from midwatch.sky.polar.axis import (
    AxisError,
    SolvedFrame,
    WeakGeometryError,
    axis_error,
    axis_vector,
    hemisphere_of,
    looking_at,
)
from midwatch.sky.vectors import FloatArray

# A knob whose turn moves the field by less than this share of it cannot be followed.
LEAST_LEVERAGE = 0.2
_STEP_RAD = 1e-6
_ROUNDS = 8
# Where an axis is that has to go the other way.
_FOUND = {"up": "low", "down": "high", "east": "far west", "west": "far east"}


@dataclass(frozen=True)
class KnobTurn:
    """What to do at one knob: move the axis so far in a direction, as its knob counts."""

    knob: Literal["altitude", "azimuth"]
    towards: Literal["up", "down", "east", "west"]
    amount_arcmin: float

    def words(self) -> str:
        """What to do, such as ``lower the axis 26.9 arcmin``."""
        verb = {"up": "raise the axis", "down": "lower the axis"}.get(self.towards, "turn the axis")
        way = "" if self.knob == "altitude" else f" {self.towards}"
        return f"{verb} {self.amount_arcmin:.1f} arcmin{way}"

    def found(self) -> str:
        """What was found, in other words than what to do: ``26.9 arcmin too high``."""
        return f"{self.amount_arcmin:.1f} arcmin too {_FOUND[self.towards]}"


def knob_turns(place: Place, error: AxisError) -> tuple[KnobTurn, KnobTurn]:
    """What to do at both knobs to bring the axis to the pole; altitude first.

    Up, down, east and west are where the axis' elevated end has to go. In the south, where that
    is the southern end, a larger azimuth is farther west.
    """
    east = error.azimuth_arcmin * hemisphere_of(place) < 0.0
    return (
        KnobTurn(
            "altitude",
            "down" if error.altitude_arcmin > 0.0 else "up",
            abs(error.altitude_arcmin),
        ),
        KnobTurn("azimuth", "east" if east else "west", abs(error.azimuth_arcmin)),
    )


def knob_leverage(place: Place, look: FloatArray) -> float:
    """How well a field shows the turns of both knobs: 1 is best, 0 not at all.

    The smaller singular value of the map from small turns (on the sky) to the field's motion.
    Zero at the zenith, and on the horizon due east and west.

    Args:
        place: where the mount is.
        look: unit vector (east, north, up) of the field, shape (3,).
    """
    axis = axis_vector(place, 0.0, 0.0)
    jacobian = np.stack([np.cross(_crosswise(axis), look), np.cross([0.0, 0.0, -1.0], look)])
    return float(np.linalg.svd(jacobian, compute_uv=False)[-1])


class KnobGuide:
    """Follows the axis while its knobs are turned.

    Args:
        observer: where the mount is.
        error: the axis as measured, before any knob was turned.
        reference: a frame taken since, still before.
        sigma_arcsec: noise of a solved position along each axis.

    Raises:
        WeakGeometryError: the field would not show the turn of one of the knobs.
    """

    def __init__(
        self,
        observer: Observer,
        error: AxisError,
        reference: SolvedFrame,
        sigma_arcsec: float = 2.0,
    ) -> None:
        self._observer = observer
        self._error = error
        self._reference = reference
        self._sigma_arcsec = sigma_arcsec
        self._look = looking_at(observer, [reference])[0]
        leverage = knob_leverage(observer.place, self._look)
        if leverage < LEAST_LEVERAGE:
            raise WeakGeometryError(
                "this field hardly moves with one of the knobs: point near the meridian, away "
                "from the zenith"
            )
        self._axis = axis_vector(observer.place, error.altitude_arcmin, error.azimuth_arcmin)

    def remaining(self, frame: SolvedFrame) -> AxisError:
        """The error of the axis now, from a new frame of the tracked field.

        Gauss and Newton's iteration for the two turns that bring the reference to where the new
        frame looks; exact for turns of any size within reach.
        """
        seen = looking_at(self._observer, [frame])[0]
        after_s = frame.utc_s - self._reference.utc_s
        turn = -hemisphere_of(self._observer.place) * math.radians(SIDEREAL_DEG_PER_S * after_s)
        tracked = _turned(self._look, self._axis, turn)
        turns = np.zeros(2)
        jacobian = np.zeros((3, 2))
        for _ in range(_ROUNDS):
            expected = self._after(tracked, turns)
            for knob in range(2):
                step = np.zeros(2)
                step[knob] = _STEP_RAD
                jacobian[:, knob] = (self._after(tracked, turns + step) - expected) / _STEP_RAD
            turns = turns + np.linalg.lstsq(jacobian, seen - expected, rcond=None)[0]
        moved_arcmin = np.degrees(turns) * 60.0
        altitude = self._error.altitude_arcmin + float(moved_arcmin[0])
        azimuth = self._error.azimuth_arcmin + float(moved_arcmin[1])
        # Both frames have their noise, and the measurement its own.
        noise = np.linalg.inv(jacobian.T @ jacobian) * 2.0 * (self._sigma_arcsec / 60.0) ** 2
        axis = axis_vector(self._observer.place, altitude, azimuth)
        along = math.hypot(axis[0], axis[1])
        return axis_error(
            self._observer.place,
            axis,
            (
                math.hypot(self._error.sigma_altitude_arcmin, math.sqrt(noise[0, 0])),
                math.hypot(self._error.sigma_azimuth_arcmin, math.sqrt(noise[1, 1])) * along,
            ),
        )

    def _after(self, look: FloatArray, turns: FloatArray) -> FloatArray:
        """Where a field has gone after turns of the altitude and the azimuth knob, radians."""
        lifted = _turned(look, _crosswise(self._axis), float(turns[0]))
        return _turned(lifted, np.array([0.0, 0.0, -1.0]), float(turns[1]))


def _crosswise(axis: FloatArray) -> FloatArray:
    """The horizontal line about which a turn lifts an axis."""
    flat = math.hypot(axis[0], axis[1])
    return np.array([axis[1] / flat, -axis[0] / flat, 0.0])


def _turned(vector: FloatArray, about: FloatArray, angle_rad: float) -> FloatArray:
    """Rodrigues' formula, right-handed."""
    cos, sin = math.cos(angle_rad), math.sin(angle_rad)
    turned: FloatArray = (
        vector * cos + np.cross(about, vector) * sin + about * float(about @ vector) * (1.0 - cos)
    )
    return turned
