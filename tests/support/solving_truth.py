"""Star fields of known pointing, laid out without any code of the solver.

astropy.wcs (the library of the FITS standard's authors) projects the stars; centroid noise, false
and missing stars are added. Where the stars come from is the caller's choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.coordinates import angular_separation
from astropy.wcs import WCS
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Stars:
    """Columns of equal length: degrees (ICRS) and magnitudes, in order of declination."""

    ra_deg: FloatArray
    dec_deg: FloatArray
    mag: FloatArray

    @classmethod
    def sorted(cls, ra_deg: FloatArray, dec_deg: FloatArray, mag: FloatArray) -> Stars:
        order = np.argsort(dec_deg, kind="stable")
        return cls(ra_deg[order], dec_deg[order], mag[order])

    def around(self, ra_deg: float, dec_deg: float, radius_deg: float) -> Stars:
        low, high = np.searchsorted(self.dec_deg, [dec_deg - radius_deg, dec_deg + radius_deg])
        band = slice(int(low), int(high))
        away = angular_separation(
            np.radians(ra_deg), np.radians(dec_deg),
            np.radians(self.ra_deg[band]), np.radians(self.dec_deg[band]),
        )  # fmt: skip
        inside = np.degrees(away) <= radius_deg
        return Stars(self.ra_deg[band][inside], self.dec_deg[band][inside], self.mag[band][inside])


@dataclass(frozen=True)
class Chip:
    """A sensor behind a telescope."""

    width_px: int
    height_px: int
    scale_arcsec: float

    @property
    def shape(self) -> tuple[int, int]:
        return self.height_px, self.width_px

    @property
    def diagonal_deg(self) -> float:
        return float(np.hypot(*self.shape)) * self.scale_arcsec / 3600


@dataclass(frozen=True)
class TrueField:
    """A frame's star table, and where the frame really points."""

    chip: Chip
    ra_deg: float
    dec_deg: float
    rotation_deg: float
    parity: int
    x: FloatArray
    y: FloatArray
    flux: FloatArray
    real: int

    def error_arcsec(self, ra_deg: float, dec_deg: float) -> float:
        corners = np.radians([self.ra_deg, self.dec_deg, ra_deg, dec_deg])
        return float(np.degrees(angular_separation(*corners)) * 3600)


def anywhere(rng: np.random.Generator) -> tuple[float, float]:
    """A direction, even over the sphere."""
    return float(rng.uniform(0, 360)), float(np.degrees(np.arcsin(rng.uniform(-1, 1))))


def lay_out(
    rng: np.random.Generator,
    stars: Stars,
    chip: Chip,
    ra_deg: float,
    dec_deg: float,
    *,
    noise_px: float = 0.3,
    false_share: float = 0.2,
    missing_share: float = 0.2,
) -> TrueField:
    """Return what a frame would show, turned and mirrored at random.

    The false stars are `false_share` of all in the table; magnitudes are read with 0.3 mag of
    noise.
    """
    height, width = chip.shape
    rotation, parity = float(rng.uniform(0, 360)), int(rng.choice([1, -1]))
    turn, pixel = np.radians(rotation), chip.scale_arcsec / 3600
    layout = WCS(naxis=2)
    layout.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    layout.wcs.crval = [ra_deg, dec_deg]
    layout.wcs.crpix = [(width + 1) / 2, (height + 1) / 2]
    layout.wcs.cd = pixel * np.array(
        [[-parity * np.cos(turn), np.sin(turn)], [parity * np.sin(turn), np.cos(turn)]]
    )
    near = stars.around(ra_deg, dec_deg, chip.diagonal_deg * 0.51)
    x, y = layout.all_world2pix(near.ra_deg, near.dec_deg, 0)
    seen = (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1)
    seen &= rng.random(len(x)) > missing_share
    x, y, mag = x[seen], y[seen], near.mag[seen]
    real = len(x)
    wrong = round(false_share / (1 - false_share) * real)
    x = np.concatenate([x + rng.normal(0, noise_px, real), rng.uniform(0, width, wrong)])
    y = np.concatenate([y + rng.normal(0, noise_px, real), rng.uniform(0, height, wrong)])
    faint, bright = (float(mag.max()), float(mag.min())) if real else (10.0, 6.0)
    mag = np.concatenate([mag + rng.normal(0, 0.3, real), rng.uniform(bright, faint, wrong)])
    return TrueField(
        chip, ra_deg, dec_deg, rotation, parity, x, y, 10 ** (-0.4 * mag.astype(float)), real
    )


def hint_near(rng: np.random.Generator, field: TrueField, radius_deg: float) -> tuple[float, float]:
    """A place within a radius of the truth, as a mount that is off would name."""
    towards, away = rng.uniform(0, 2 * np.pi), radius_deg * 0.95 * np.sqrt(rng.random())
    here = WCS(naxis=2)
    here.wcs.ctype = ["RA---ARC", "DEC--ARC"]
    here.wcs.crpix = [1.0, 1.0]
    here.wcs.crval = [field.ra_deg, field.dec_deg]
    ra, dec = here.all_pix2world(away * np.cos(towards), away * np.sin(towards), 0)
    return float(ra) % 360, float(dec)
