"""From magnitudes to electrons."""

from __future__ import annotations

import math

# Photons per second, square centimetre and Angstrom of a star of V = 0: Bessell, Castelli and
# Plez 1998 (f_lambda 363.1e-11 erg at 545 nm; recalled from memory) over the photon's energy.
V_ZERO_PHOTONS = 996.0


def collecting_area_cm2(aperture_mm: float, obstruction: float = 0.0) -> float:
    """Return the free area of an aperture; `obstruction` is a share of the diameter."""
    return math.pi / 4.0 * (aperture_mm / 10.0) ** 2 * (1.0 - obstruction * obstruction)


def electrons_per_s(mag: float, area_cm2: float, band_angstrom: float, efficiency: float) -> float:
    """Return the electrons that a source of V magnitude frees each second.

    Args:
        mag: magnitude of a star, or of the sky that one pixel sees.
        area_cm2: free area of the aperture.
        band_angstrom: width of the band.
        efficiency: electrons for each photon on the aperture.
    """
    return V_ZERO_PHOTONS * area_cm2 * band_angstrom * efficiency * math.pow(10.0, -0.4 * mag)


def pixel_magnitude(mag_per_arcsec2: float, scale_arcsec: float) -> float:
    """Return the magnitude that one pixel sees of a surface brightness."""
    return mag_per_arcsec2 - 5.0 * math.log10(scale_arcsec)


def dark_electrons_per_s(
    at_reference: float, reference_c: float, doubling_c: float, c: float
) -> float:
    """Return the dark current at a temperature: it doubles every so many degrees."""
    return at_reference * math.pow(2.0, (c - reference_c) / doubling_c)
