"""What the air does: refraction, air mass, extinction, dew."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .vectors import FloatArray, as_floats

# The formulas for refraction turn up again a few degrees below the horizon.
_LOWEST_ALT_DEG = -1.0


def _air(pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    return as_floats(pressure_hpa) / 1010.0 * 283.0 / (273.0 + as_floats(temperature_c))


def refraction_from_true_deg(
    alt_deg: ArrayLike, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0
) -> FloatArray:
    """How far refraction lifts an object, degrees, from its airless altitude.

    Saemundsson's formula (Meeus, Astronomical Algorithms, chapter 16); within 0.1 arcmin above
    15 degrees. Below -1 degree the value at -1 is returned.
    """
    alt = np.maximum(as_floats(alt_deg), _LOWEST_ALT_DEG)
    arcmin = 1.02 / np.tan(np.radians(alt + 10.3 / (alt + 5.11)))
    # The formula crosses zero slightly before the zenith.
    return np.maximum(arcmin, 0.0) * _air(pressure_hpa, temperature_c) / 60.0


def refraction_from_apparent_deg(
    alt_deg: ArrayLike, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0
) -> FloatArray:
    """How far an object has been lifted, degrees, from its apparent altitude.

    Bennett's formula (Meeus, Astronomical Algorithms, chapter 16). Below -1 degree the value at
    -1 is returned.
    """
    alt = np.maximum(as_floats(alt_deg), _LOWEST_ALT_DEG)
    arcmin = 1.0 / np.tan(np.radians(alt + 7.31 / (alt + 4.4)))
    return np.maximum(arcmin, 0.0) * _air(pressure_hpa, temperature_c) / 60.0


def airmass(apparent_alt_deg: ArrayLike) -> FloatArray:
    """Relative air mass, at least 1, of apparent altitudes; infinite below the horizon.

    Kasten and Young 1989, Applied Optics 28, 4735. About 38 at the horizon.
    """
    alt = as_floats(apparent_alt_deg)
    above = np.maximum(alt, 0.0)
    mass = 1.0 / (np.sin(np.radians(above)) + 0.50572 * (above + 6.07995) ** -1.6364)
    return np.where(alt < 0.0, np.inf, np.maximum(mass, 1.0))[()]


def extinction_mag(apparent_alt_deg: ArrayLike, mag_per_airmass: ArrayLike) -> FloatArray:
    """Magnitudes lost to the air on the way down (Bouguer's law)."""
    return as_floats(mag_per_airmass) * airmass(apparent_alt_deg)


def dew_point_c(temperature_c: ArrayLike, humidity_percent: ArrayLike) -> FloatArray:
    """Dew point over water, degrees Celsius.

    Magnus form with the constants of Alduchov and Eskridge 1996 (17.625, 243.04). At zero
    humidity there is none: minus infinity.
    """
    temperature, humidity = as_floats(temperature_c), as_floats(humidity_percent)
    dry = humidity <= 0.0
    gamma = np.log(np.where(dry, 1.0, humidity) / 100.0) + 17.625 * temperature / (
        243.04 + temperature
    )
    return np.where(dry, -np.inf, 243.04 * gamma / (17.625 - gamma))[()]
