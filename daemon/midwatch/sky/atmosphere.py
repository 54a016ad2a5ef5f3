"""What the air does: refraction, air mass, extinction, dew, and the brightness of the sky."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.place import Observer
from midwatch.sky.sun_moon import moon_altaz, moon_phase_angle_deg, sun_altaz
from midwatch.sky.sun_moon import moon_separation_deg as moon_separation_of
from midwatch.sky.vectors import FloatArray, as_floats

# The formulas for refraction turn up again a few degrees below the horizon.
_LOWEST_ALT_DEG = -1.0


def _air(pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    return as_floats(pressure_hpa) / 1010.0 * 283.0 / (273.0 + as_floats(temperature_c))


def refraction_from_true_deg(
    alt_deg: ArrayLike, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0
) -> FloatArray:
    """How far refraction lifts an object, degrees, from its airless altitude.

    Saemundsson's formula (Meeus, Astronomical Algorithms, chapter 16); within 0.15 arcmin above
    15 degrees and 0.085 above 30 of the rigorous model (ERFA `refco`, at 0.55 um). Below -1 degree
    the value at -1 is returned.
    """
    alt = np.maximum(as_floats(alt_deg), _LOWEST_ALT_DEG)
    arcmin = 1.02 / np.tan(np.radians(alt + 10.3 / (alt + 5.11)))
    # The formula crosses zero slightly before the zenith.
    return np.maximum(arcmin, 0.0) * _air(pressure_hpa, temperature_c) / 60.0


def refraction_from_apparent_deg(
    alt_deg: ArrayLike, pressure_hpa: ArrayLike = 1010.0, temperature_c: ArrayLike = 10.0
) -> FloatArray:
    """How far an object has been lifted, degrees, from its apparent altitude.

    Bennett's formula (Meeus, Astronomical Algorithms, chapter 16); within 0.1 arcmin above 15
    degrees of the same model. Below -1 degree the value at -1 is returned.
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


def moonlit_sky_mag(
    phase_angle_deg: ArrayLike,
    moon_separation_deg: ArrayLike,
    alt_deg: ArrayLike,
    moon_alt_deg: ArrayLike,
    dark_mag: ArrayLike,
    mag_per_airmass: ArrayLike = 0.172,
) -> FloatArray:
    """Surface brightness of the sky with the Moon, V magnitudes per square arcsecond.

    Krisciunas and Schaefer 1991, PASP 103, 1033; good to 8 to 23 percent. A Moon below the
    horizon adds nothing. Targets below the horizon are treated as on it, and separations under a
    quarter of a degree (the Moon's own disc) as that.

    Args:
        phase_angle_deg: 0 at full Moon, 180 at new.
        moon_separation_deg: between target and Moon.
        alt_deg: of the target.
        moon_alt_deg: of the Moon.
        dark_mag: of the moonless sky at the zenith.
        mag_per_airmass: extinction.
    """
    k = as_floats(mag_per_airmass)
    mass = _scattering_airmass(alt_deg)
    dark = _dark_nl(dark_mag, mass, k)
    moon = _moonlight_nl(phase_angle_deg, moon_separation_deg, mass, moon_alt_deg, k)
    return _mag_of_nl(dark + moon)


def twilight_sky_mag(sun_alt_deg: ArrayLike, dark_mag: ArrayLike) -> FloatArray:
    """Surface brightness of the zenith by the Sun's altitude, V magnitudes per square arcsecond.

    Common practice, no source: scattered sunlight of magnitude 6 at sunset fades by 1.1
    magnitudes a degree, and tends to 3.5 by day; the dark sky is added. Good for the order of
    things (when flats can be taken, when stars drown), not for photometry.
    """
    return _mag_of_nl(_twilight_nl(sun_alt_deg) + _nl_of_mag(dark_mag))


def sky_brightness_mag(
    observer: Observer,
    ra_deg: ArrayLike,
    dec_deg: ArrayLike,
    utc_s: ArrayLike,
    dark_mag: ArrayLike,
    mag_per_airmass: ArrayLike = 0.172,
) -> FloatArray:
    """Surface brightness of the sky behind ICRS positions, V magnitudes per square arcsecond.

    The sum of the dark sky of `dark_mag` at the zenith, moonlight and twilight, as in
    `moonlit_sky_mag` and `twilight_sky_mag`.
    """
    k = as_floats(mag_per_airmass)
    mass = _scattering_airmass(observer.altaz(ra_deg, dec_deg, utc_s).alt_deg)
    moon = _moonlight_nl(
        moon_phase_angle_deg(utc_s),
        moon_separation_of(observer, ra_deg, dec_deg, utc_s),
        mass,
        moon_altaz(observer, utc_s).alt_deg,
        k,
    )
    twilight = _twilight_nl(sun_altaz(observer, utc_s).alt_deg)
    return _mag_of_nl(_dark_nl(dark_mag, mass, k) + moon + twilight)


def _nl_of_mag(mag: ArrayLike) -> FloatArray:
    """Nanolamberts of V magnitudes per square arcsecond (Garstang 1989)."""
    return 34.08 * np.exp(20.7233 - 0.92104 * as_floats(mag))


def _mag_of_nl(brightness_nl: FloatArray) -> FloatArray:
    return (20.7233 - np.log(brightness_nl / 34.08)) / 0.92104


def _scattering_airmass(alt_deg: ArrayLike) -> FloatArray:
    """Air mass of a thin scattering layer, as Krisciunas and Schaefer use it; 5 at the horizon."""
    sin_zenith = np.cos(np.radians(np.maximum(as_floats(alt_deg), 0.0)))
    return (1.0 - 0.96 * sin_zenith**2) ** -0.5


def _dark_nl(dark_mag: ArrayLike, mass: FloatArray, k: FloatArray) -> FloatArray:
    return _nl_of_mag(dark_mag) * 10.0 ** (-0.4 * k * (mass - 1.0)) * mass


def _moonlight_nl(
    phase_angle_deg: ArrayLike,
    separation_deg: ArrayLike,
    mass: FloatArray,
    moon_alt_deg: ArrayLike,
    k: FloatArray,
) -> FloatArray:
    phase = np.abs(as_floats(phase_angle_deg))
    apart = np.maximum(as_floats(separation_deg), 0.25)
    lunar = 10.0 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    rayleigh = 10.0**5.36 * (1.06 + np.cos(np.radians(apart)) ** 2)
    mie = np.where(apart < 10.0, 6.2e7 / apart**2, 10.0 ** (6.15 - apart / 40.0))
    down = 10.0 ** (-0.4 * k * _scattering_airmass(moon_alt_deg))
    scattered = 1.0 - 10.0 ** (-0.4 * k * mass)
    light = (rayleigh + mie) * lunar * down * scattered
    return np.where(as_floats(moon_alt_deg) > 0.0, light, 0.0)


def _twilight_nl(sun_alt_deg: ArrayLike) -> FloatArray:
    alt = as_floats(sun_alt_deg)
    by_day = 6.0 - 2.5 * (1.0 - np.exp(-1.1 / 2.5 * np.maximum(alt, 0.0)))
    return _nl_of_mag(np.where(alt > 0.0, by_day, 6.0 - 1.1 * alt))
