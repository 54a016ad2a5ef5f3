"""The stars of a field: the catalogue's, and below its limit plausible ones.

Faint stars are drawn once and for all for each cell of the sky, so the same field shows the same
stars in every frame, every night and every mode.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from midwatch.sky.catalogues import StarCatalogue, unit_vectors
from midwatch_simulators.base import generator

FloatArray = NDArray[np.float64]

_SKY_SEED = 20_270_310  # of the faint sky, the same for everybody
_CELL_DEG = 0.5
_COMPLETE_MAG = 10.0  # to this the catalogue has every star
_FAINTEST_MAG = 17.5
_FIELD_STEP_DEG = 0.05  # fields are kept at places so far apart
# Stars grow by 2.4 times a magnitude in this range (star counts, common practice, no source).
_SLOPE_DEX = math.log10(2.4)
_MEAN_PER_DEG2 = 11.7  # catalogue stars brighter than 10 on a square degree, all-sky mean
# North galactic pole, ICRS (Hipparcos catalogue, vol. 1, 1997; recalled from memory).
# Colours of faint stars: about that of the Sun, and their spread; common practice, no source.
_USUAL_BP_RP, _BP_RP_SPREAD = 0.9, 0.35
_POLE_RA_DEG, _POLE_DEC_DEG = 192.85948, 27.12825


@dataclass(frozen=True)
class FieldStars:
    """Stars as columns of equal length (N,): unit vectors (N, 3), V magnitudes, colours BP - RP."""

    directions: FloatArray
    mag: FloatArray
    bp_rp: FloatArray


def stars_near(ra_deg: float, dec_deg: float, radius_deg: float, mag_limit: float) -> FieldStars:
    """Return all stars of a cone to a magnitude, brightest first.

    Real ones to the catalogue's limit, drawn ones below it, to 17.5 at most. Some from outside of
    the cone are among them.
    """
    # Frames that are dithered about one place share a field.
    band = round(dec_deg / _FIELD_STEP_DEG)
    middle_deg = min(max(band * _FIELD_STEP_DEG, -90.0), 90.0)
    step_deg = _FIELD_STEP_DEG / max(math.cos(math.radians(middle_deg)), 1e-3)
    field = _field(step_deg * round(ra_deg / step_deg), middle_deg, radius_deg + _FIELD_STEP_DEG)
    count = int(np.searchsorted(field.mag, mag_limit, side="right"))
    return FieldStars(field.directions[:count], field.mag[:count], field.bp_rp[:count])


@lru_cache(maxsize=8)
def _field(ra_deg: float, dec_deg: float, radius_deg: float) -> FieldStars:
    """Return all stars of a cone, brightest first."""
    catalogue = StarCatalogue.load().near(ra_deg, dec_deg, radius_deg, _COMPLETE_MAG)
    parts = [
        FieldStars(
            unit_vectors(catalogue.ra_deg, catalogue.dec_deg),
            catalogue.mag_g.astype(np.float64),
            np.nan_to_num(catalogue.bp_rp.astype(np.float64), nan=_USUAL_BP_RP),
        )
    ]
    parts += [_cell(band, cell) for band, cell in _cells(ra_deg, dec_deg, radius_deg)]
    directions = np.concatenate([part.directions for part in parts])
    mag = np.concatenate([part.mag for part in parts])
    bp_rp = np.concatenate([part.bp_rp for part in parts])
    axis = unit_vectors(np.array([ra_deg]), np.array([dec_deg]))[0]
    rows = np.flatnonzero(directions @ axis >= math.cos(math.radians(min(radius_deg, 180.0))))
    rows = rows[np.argsort(mag[rows], kind="stable")]
    return FieldStars(directions[rows], mag[rows], bp_rp[rows])


def _cells(ra_deg: float, dec_deg: float, radius_deg: float) -> list[tuple[int, int]]:
    """Return the cells (band of declination, number in it) that a cone may touch."""
    lowest = math.floor((max(dec_deg - radius_deg, -90.0) + 90.0) / _CELL_DEG)
    highest = math.floor((min(dec_deg + radius_deg, 89.999) + 90.0) / _CELL_DEG)
    cells = []
    for band in range(lowest, highest + 1):
        number = _cells_in_band(band)
        edge = max(abs(band * _CELL_DEG - 90.0), abs((band + 1) * _CELL_DEG - 90.0))
        farthest = min(edge, 89.9)
        half_deg = radius_deg / math.cos(math.radians(farthest))
        if half_deg >= 180.0:
            cells += [(band, cell) for cell in range(number)]
            continue
        first = math.floor((ra_deg - half_deg) / 360.0 * number)
        last = math.floor((ra_deg + half_deg) / 360.0 * number)
        wanted = range(first, min(last, first + number - 1) + 1)
        cells += [(band, cell % number) for cell in wanted]
    return cells


def _cells_in_band(band: int) -> int:
    middle = math.radians((band + 0.5) * _CELL_DEG - 90.0)
    return max(1, round(360.0 * math.cos(middle) / _CELL_DEG))


@lru_cache(maxsize=512)
def _cell(band: int, cell: int) -> FieldStars:
    """Draw the faint stars of a cell, brightest first."""
    rng = generator(_SKY_SEED, "cell", band, cell)
    number = _cells_in_band(band)
    low, high = (math.sin(math.radians(b * _CELL_DEG - 90.0)) for b in (band, band + 1))
    area_deg2 = (high - low) * 2.0 * math.pi / number * math.degrees(1.0) ** 2
    ra_deg = 360.0 * (cell + 0.5) / number
    dec_deg = math.degrees(math.asin(0.5 * (low + high)))
    bright = _MEAN_PER_DEG2 * _crowding(ra_deg, dec_deg) * area_deg2
    growth = 10.0 ** (_SLOPE_DEX * (_FAINTEST_MAG - _COMPLETE_MAG))
    count = int(rng.poisson(bright * (growth - 1.0)))
    # Inverse of the cumulative count between the two limits.
    mag = _COMPLETE_MAG + np.log10(1.0 + rng.random(count) * (growth - 1.0)) / _SLOPE_DEX
    mag.sort()
    ra = 360.0 * (cell + rng.random(count)) / number
    dec = np.degrees(np.arcsin(rng.uniform(low, high, count)))
    return FieldStars(unit_vectors(ra, dec), mag, rng.normal(_USUAL_BP_RP, _BP_RP_SPREAD, count))


def _crowding(ra_deg: float, dec_deg: float) -> float:
    """Return star density relative to the mean: the plane of the Milky Way is five times the pole.

    Common practice, no source; chosen so that the mean over the sphere is about one.
    """
    pole, here = (
        unit_vectors(np.array([ra]), np.array([dec]))[0]
        for ra, dec in ((_POLE_RA_DEG, _POLE_DEC_DEG), (ra_deg, dec_deg))
    )
    latitude_deg = math.degrees(math.asin(max(-1.0, min(1.0, float(pole @ here)))))
    return 0.5 + 2.2 * math.exp(-abs(latitude_deg) / 15.0)
