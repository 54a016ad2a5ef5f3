"""Chooses where to point for measuring a polar axis, inside every limit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from midwatch.errors import InputError
from midwatch.sky import FloatArray, LimitCheck, MountLimits, Observer
from midwatch.sky.polar import LEAST_LEVERAGE, ground_vectors, hemisphere_of, knob_leverage

# Turns of the polar axis between frames, widest first: the error shrinks with their square.
_STEPS_DEG = (40.0, 35.0, 30.0, 25.0)
# Distances of the last field from the meridian: near, for the knobs, yet not about to cross it.
_NEAR_DEG = (12.0, 16.0, 22.0, 30.0)
_DECS_DEG = tuple(range(-40, 81, 5))
# Distances kept from the horizon limit, largest that allows anything: the axis may be degrees off.
_MARGINS_DEG = (8.0, 5.0, 2.0)
_GOOD_ALT_DEG = 30.0
_STAY_S = 300.0  # at each field, with the way there
_GUIDE_S = 1800.0  # at the last, while the knobs are turned
# For drift: hour angles near the meridian, and far from it.
_DRIFT_NEAR_DEG = (8.0, 15.0, 25.0)
_DRIFT_FAR_DEG = (80.0, 70.0, 60.0, 50.0, 40.0)


class NoPointingError(InputError):
    """The limits leave no fields from which the axis could be measured now."""


@dataclass(frozen=True)
class AlignmentField:
    """A field by hour angle and declination of date, with its airless direction."""

    ha_deg: float
    dec_deg: float
    alt_deg: float
    az_deg: float

    def icrs(self, observer: Observer, utc_s: float) -> tuple[float, float]:
        """Right ascension and declination, ICRS, that are there at a time."""
        ra, dec = observer.icrs_from_altaz(self.alt_deg, self.az_deg, utc_s)
        return float(ra), float(dec)


def pointing_at(observer: Observer, ha_deg: float, dec_deg: float) -> AlignmentField:
    """Return the field at an hour angle and a declination of date."""
    latitude = math.radians(observer.place.latitude_deg)
    ha, dec = math.radians(ha_deg), math.radians(dec_deg)
    toward = math.cos(dec) * math.cos(ha)
    up = math.sin(latitude) * math.sin(dec) + math.cos(latitude) * toward
    north = math.cos(latitude) * math.sin(dec) - math.sin(latitude) * toward
    west = math.cos(dec) * math.sin(ha)
    alt_deg = math.degrees(math.atan2(up, math.hypot(north, west)))
    return AlignmentField(ha_deg, dec_deg, alt_deg, math.degrees(math.atan2(-west, north)) % 360.0)


def plan_frames(
    limits: LimitCheck, utc_s: float
) -> tuple[AlignmentField, AlignmentField, AlignmentField]:
    """Choose three fields of one declination, the one nearest the meridian last.

    Between them only the polar axis turns, by 25 to 40 degrees; none is beyond the meridian from
    the others, so there is no flip. All stay inside the limits long enough for their frames, the
    last for turning the knobs, and the last shows both knobs.

    Raises:
        NoPointingError: there are none.
    """
    for margin_deg in _MARGINS_DEG:
        high = [c for c in _triples(limits.observer) if _high(limits.limits, c, margin_deg)]
        useful = [
            (worth, chosen)
            for chosen in high
            if (worth := _worth(limits.observer, chosen)) is not None
        ]
        for _, chosen in sorted(useful, key=lambda pair: pair[0], reverse=True):
            if _kept(limits, chosen, utc_s, last_s=_GUIDE_S):
                return chosen
    raise NoPointingError(
        "the horizon and the limits leave no three fields 25 deg of right ascension apart on one "
        "side of the meridian: measure by drift (--method drift), or from a freer place"
    )


def plan_drift(
    limits: LimitCheck, utc_s: float, stay_s: float
) -> tuple[AlignmentField, AlignmentField]:
    """Choose two fields whose stars show azimuth and altitude: near the meridian, and far.

    Raises:
        NoPointingError: there are none as far apart as 25 degrees of hour angle.
    """
    for margin_deg in _MARGINS_DEG:
        high = [p for p in _pairs(limits.observer) if _high(limits.limits, p, margin_deg)]
        for pair in sorted(high, key=_drift_worth, reverse=True):
            if _kept(limits, pair, utc_s, last_s=2.0 * stay_s + _STAY_S):
                return pair
    raise NoPointingError(
        "the horizon and the limits leave no two fields far enough apart in hour angle: measure "
        "from a freer place, or at another hour"
    )


def _triples(observer: Observer) -> Iterator[tuple[AlignmentField, AlignmentField, AlignmentField]]:
    sign = hemisphere_of(observer.place)
    for dec, step, near, side in itertools.product(_DECS_DEG, _STEPS_DEG, _NEAR_DEG, (-1.0, 1.0)):
        far, middle, last = (
            pointing_at(observer, side * (near + step * away), sign * dec) for away in (2, 1, 0)
        )
        yield far, middle, last


def _worth(observer: Observer, chosen: tuple[AlignmentField, ...]) -> float | None:
    """How good three fields are, in degrees of turn; None if the last hides a knob."""
    last = chosen[-1]
    leverage = knob_leverage(observer.place, _look(last))
    if leverage < 2.0 * LEAST_LEVERAGE:
        return None
    low = max(0.0, _GOOD_ALT_DEG - min(pointing.alt_deg for pointing in chosen))
    return abs(chosen[0].ha_deg - last.ha_deg) + 30.0 * leverage - 2.0 * low


def _pairs(observer: Observer) -> Iterator[tuple[AlignmentField, AlignmentField]]:
    sign = hemisphere_of(observer.place)
    sides = itertools.product((-1.0, 1.0), (-1.0, 1.0))
    for dec, near, far, (first, second) in itertools.product(
        _DECS_DEG, _DRIFT_NEAR_DEG, _DRIFT_FAR_DEG, sides
    ):
        yield (
            pointing_at(observer, first * far, sign * dec),
            pointing_at(observer, second * near, sign * dec),
        )


def _drift_worth(pair: tuple[AlignmentField, AlignmentField]) -> float:
    """Best is a quarter of a turn, with both fields high and far from the pole."""
    far, near = pair
    quarter = abs(math.sin(math.radians(far.ha_deg - near.ha_deg)))
    low = max(0.0, _GOOD_ALT_DEG - min(far.alt_deg, near.alt_deg))
    return 90.0 * quarter - 2.0 * low - 0.2 * abs(far.dec_deg)


def _high(limits: MountLimits, fields: tuple[AlignmentField, ...], margin_deg: float) -> bool:
    """Whether every field is so far above the horizon and the lowest altitude."""
    return all(
        field.alt_deg
        >= max(limits.horizon.altitude_at(field.az_deg), limits.min_alt_deg) + margin_deg
        for field in fields
    )


def _kept(
    limits: LimitCheck, fields: tuple[AlignmentField, ...], utc_s: float, *, last_s: float
) -> bool:
    """Whether each field keeps every limit from when its turn comes until it is left."""
    for number, field in enumerate(fields):
        begins_s = utc_s + number * _STAY_S
        stay_s = last_s if number == len(fields) - 1 else _STAY_S
        ra, dec = field.icrs(limits.observer, begins_s)
        side = limits.limits.geometry.natural_side(field.ha_deg)
        for after_s in (0.0, stay_s):
            if limits.breach(ra, dec, begins_s + after_s, side) is not None:
                return False
    return True


def _look(pointing: AlignmentField) -> FloatArray:
    return ground_vectors(np.asarray(pointing.alt_deg), np.asarray(pointing.az_deg))
