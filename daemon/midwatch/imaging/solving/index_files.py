"""Deep star lists from installed index files.

An index file is FITS. Among its tables, ``kdtree_data_stars`` holds the unit vectors of the
stars as whole numbers (three of 32 bits each, scaled by ``kdtree_range_stars``: three lower bounds,
three upper bounds, units for each unit of length) or as doubles, in the byte order of the machine
that wrote it, which the first header gives. Another table of as many rows holds magnitudes. Nothing
else of the file is read here; what it is made for, solving blind, is not our own.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from midwatch.sky.catalogues import MergedCatalogue, SkyCatalogue, StarCatalogue

if TYPE_CHECKING:  # slow to import, and only nights with index files need it
    from astropy.io import fits

__all__ = ["IndexFileError", "catalogue_with", "index_files", "read_index_stars"]

FloatArray = NDArray[np.float64]

_STARS, _RANGE, _HEADER = "kdtree_data_stars", "kdtree_range_stars", "kdtree_header_stars"
_BYTE_ORDER = {"04:03:02:01": "<", "01:02:03:04": ">"}
# About 90 bytes a star are kept in memory. Below this nothing is left out of the common sets to
# magnitude 12; without a limit, a folder with the deepest lists would fill a small computer.
_MOST_STARS = 6_000_000


class IndexFileError(ValueError):
    """A file is no index file, or not of a form that is known here."""


def index_files(folder: Path) -> tuple[Path, ...]:
    """Return the index files of a folder, the smallest first; none where there is no folder.

    Whatever else lies there is passed over.
    """
    if not folder.is_dir():
        return ()
    found = [path for path in sorted(folder.glob("*.fits")) if _star_count(path) is not None]
    return tuple(sorted(found, key=lambda path: (path.stat().st_size, path.name)))


def read_index_stars(path: Path) -> StarCatalogue:
    """Read the stars of an index file.

    Returns:
        The stars, with their row numbers as identifiers; magnitudes are those of the file,
        whatever their band, and colours are unknown. Epoch and frame are those of the file's own
        source (the common ones: ICRS, J2000).

    Raises:
        OSError: the file cannot be read.
        IndexFileError: it is not in the form known here; the message says what is missing.
    """
    from astropy.io import fits

    with fits.open(path, memmap=True) as tables:
        byte_order = _BYTE_ORDER.get(str(tables[0].header.get("ENDIAN", "")).strip())
        rows = {str(table.header.get("TTYPE1", "")): table for table in tables[1:]}
        missing = [name for name in (_STARS, _RANGE, _HEADER) if name not in rows]
        if missing or byte_order is None:
            what = ", ".join(missing) or "the byte order"
            raise IndexFileError(f"{path} is no index file of stars: {what} is missing")
        count = int(rows[_STARS].header["NAXIS2"])
        bounds = _numbers(path, rows[_RANGE], f"{byte_order}f8", 7)
        stored = str(rows[_HEADER].header.get("KDT_DATA", "")).strip()
        if stored == "u32":
            whole = _numbers(path, rows[_STARS], f"{byte_order}u4", 3 * count).reshape(-1, 3)
            vectors = bounds[:3] + whole / bounds[6]
        elif stored == "double":
            vectors = _numbers(path, rows[_STARS], f"{byte_order}f8", 3 * count).reshape(-1, 3)
        else:
            raise IndexFileError(f"{path} stores its stars as {stored!r}, known are u32 and double")
        mag = _magnitudes(path, tables, count)
    x, y, z = vectors.T
    ra, dec = np.degrees(np.arctan2(y, x)) % 360.0, np.degrees(np.arctan2(z, np.hypot(x, y)))
    order = np.argsort(dec, kind="stable")
    unknown = np.full(count, np.nan, np.float32)
    return StarCatalogue(order.astype(np.int64), ra[order], dec[order], mag[order], unknown)


@cache
def catalogue_with(folder: Path | None) -> SkyCatalogue:
    """Return the built-in catalogue together with the stars of a folder's index files.

    Read once a process. Files that cannot be read are passed over, as are the largest ones beyond
    what memory should hold: without them there are fewer stars, but no wrong ones.
    """
    parts: list[SkyCatalogue] = [StarCatalogue.load()]
    room = _MOST_STARS
    for path in index_files(folder) if folder is not None else ():
        room -= _star_count(path) or 0
        if room < 0:
            break
        try:
            parts.append(read_index_stars(path))
        except (OSError, IndexFileError):
            continue
    return parts[0] if len(parts) == 1 else MergedCatalogue(parts)


def _star_count(path: Path) -> int | None:
    """Return how many stars an index file holds; None where it is no such file."""
    from astropy.io import fits

    try:
        with fits.open(path, memmap=True) as tables:
            for table in tables[1:]:
                if table.header.get("TTYPE1") == _STARS:
                    return int(table.header["NAXIS2"])
    except (OSError, ValueError, TypeError):
        pass
    return None


def _numbers(path: Path, table: fits.BinTableHDU, dtype: str, count: int) -> FloatArray:
    """Return a table's bytes as numbers; astropy would take them for text and drop zeros."""
    numbers = np.fromfile(path, dtype, count=count, offset=table.fileinfo()["datLoc"])
    if len(numbers) != count:
        raise IndexFileError(f"{path} is cut short")
    return numbers.astype(np.float64)


def _magnitudes(path: Path, tables: fits.HDUList, count: int) -> NDArray[np.float32]:
    for table in tables[1:]:
        if table.header["NAXIS2"] != count:
            continue
        for name in table.columns.names:
            if "mag" in name.lower() and "err" not in name.lower():
                return np.asarray(table.data[name], dtype=np.float32)
    raise IndexFileError(f"{path} has no magnitudes for its stars")
