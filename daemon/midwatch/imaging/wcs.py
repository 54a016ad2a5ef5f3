"""A plate solution: the gnomonic map between pixels and the sky.

Pixels are counted from zero at the centre of the first pixel, x along a row (the second axis of
the array), y along a column (the first axis). FITS cards count from one, and only there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Solution", "deproject", "project"]

FloatArray = NDArray[np.float64]


def project(
    ra_deg: ArrayLike, dec_deg: ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Project the sky onto the plane that touches it at (ra0, dec0).

    The gnomonic projection as in Calabretta and Greisen 2002, section 5.1.3 (TAN).

    Args:
        ra_deg: Right ascensions, shape (N,) or scalar.
        dec_deg: Declinations, the same shape.
        ra0_deg: Right ascension of the tangent point.
        dec0_deg: Declination of the tangent point.

    Returns:
        Standard coordinates xi (east) and eta (north) in degrees; NaN for directions 90 degrees
        or more from the tangent point, which have no image.
    """
    ra = np.radians(np.asarray(ra_deg, dtype=float) - ra0_deg)
    dec, dec0 = np.radians(np.asarray(dec_deg, dtype=float)), np.radians(dec0_deg)
    sin_dec, cos_dec = np.sin(dec), np.cos(dec)
    depth = sin_dec * np.sin(dec0) + cos_dec * np.cos(dec0) * np.cos(ra)
    depth = np.where(depth > 1e-9, depth, np.nan)
    xi = cos_dec * np.sin(ra) / depth
    eta = (sin_dec * np.cos(dec0) - cos_dec * np.sin(dec0) * np.cos(ra)) / depth
    return np.degrees(xi), np.degrees(eta)


def deproject(
    xi_deg: ArrayLike, eta_deg: ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Lift points of the tangent plane back onto the sky; the inverse of `project`.

    Returns:
        Right ascensions in [0, 360) and declinations, in degrees.
    """
    xi, eta = np.radians(xi_deg), np.radians(eta_deg)
    dec0 = np.radians(dec0_deg)
    depth = np.cos(dec0) - eta * np.sin(dec0)
    ra = np.degrees(np.arctan2(xi, depth)) + ra0_deg
    dec = np.degrees(np.arctan2(np.sin(dec0) + eta * np.cos(dec0), np.hypot(xi, depth)))
    return np.mod(ra, 360.0), np.asarray(dec, dtype=np.float64)


@dataclass(frozen=True)
class Solution:
    """Where a frame points, ICRS.

    Attributes:
        ra_deg: Right ascension of the centre of the frame.
        dec_deg: Declination of the centre of the frame.
        rotation_deg: Position angle of the +y axis, from north through east, in [0, 360).
        scale_arcsec: Arcseconds a pixel, the root of the area of a pixel.
        parity: 1 when, with +y drawn upwards, the frame shows the sky as the eye sees it (east a
            quarter turn anticlockwise from north); -1 when it is mirrored.
        rms_arcsec: Root mean square distance of the matched stars from the catalogue.
        matched: Catalogue stars matched.
        n_stars: Stars of the frame that took part.
        shape: Rows and columns of the frame.
        crpix: Reference pixel (x, y), counted from one.
        crval_deg: Right ascension and declination of the reference pixel.
        cd: ((CD1_1, CD1_2), (CD2_1, CD2_2)) in degrees a pixel.
    """

    ra_deg: float
    dec_deg: float
    rotation_deg: float
    scale_arcsec: float
    parity: int
    rms_arcsec: float
    matched: int
    n_stars: int
    shape: tuple[int, int]
    crpix: tuple[float, float]
    crval_deg: tuple[float, float]
    cd: tuple[tuple[float, float], tuple[float, float]]

    def pixel_to_sky(self, x_px: ArrayLike, y_px: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return right ascension and declination in degrees of pixels counted from zero."""
        dx = np.asarray(x_px, dtype=float) - (self.crpix[0] - 1.0)
        dy = np.asarray(y_px, dtype=float) - (self.crpix[1] - 1.0)
        (cd11, cd12), (cd21, cd22) = self.cd
        return deproject(cd11 * dx + cd12 * dy, cd21 * dx + cd22 * dy, *self.crval_deg)

    def sky_to_pixel(self, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return pixels, counted from zero, of right ascension and declination in degrees.

        Directions on the far side of the sky give NaN.
        """
        xi, eta = project(ra_deg, dec_deg, *self.crval_deg)
        (cd11, cd12), (cd21, cd22) = self.cd
        det = cd11 * cd22 - cd12 * cd21
        dx, dy = (cd22 * xi - cd12 * eta) / det, (cd11 * eta - cd21 * xi) / det
        return dx + self.crpix[0] - 1.0, dy + self.crpix[1] - 1.0

    def wcs_cards(self) -> dict[str, str | float | int]:
        """Return the cards of the FITS world coordinate system, in order."""
        (cd11, cd12), (cd21, cd22) = self.cd
        return {
            "WCSAXES": 2,
            "CTYPE1": "RA---TAN",
            "CTYPE2": "DEC--TAN",
            "CUNIT1": "deg",
            "CUNIT2": "deg",
            "CRVAL1": self.crval_deg[0],
            "CRVAL2": self.crval_deg[1],
            "CRPIX1": self.crpix[0],
            "CRPIX2": self.crpix[1],
            "CD1_1": cd11,
            "CD1_2": cd12,
            "CD2_1": cd21,
            "CD2_2": cd22,
            "RADESYS": "ICRS",
        }
