"""Leap seconds and UT1 - UTC, from tables that are installed with the program.

Nothing is ever downloaded. Outside the table UT1 - UTC is taken as zero, which is at most
0.9 s, or 0.004 degrees of hour angle, wrong; `earth_rotation_known` says which it is.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import erfa
import numpy as np

from midwatch.sky.vectors import FloatArray

POSIX_EPOCH_MJD = 40587.0
DAY_S = 86400.0
TT_MINUS_TAI_S = 32.184

# Byte columns of the Bulletin A "finals2000A" format (IERS readme.finals2000A).
_MJD_COLUMNS = slice(7, 15)
_UT1_UTC_COLUMNS = slice(58, 68)


@cache
def _leap_seconds() -> tuple[FloatArray, FloatArray]:
    """Modified Julian Dates from which TAI - UTC holds, and TAI - UTC in seconds."""
    table = erfa.leap_seconds.get()
    table = table[table["year"] >= 1972]  # before, UTC ran at another rate than TAI
    _, mjd = erfa.cal2jd(table["year"], table["month"], 1)
    return np.asarray(mjd, dtype=np.float64), np.asarray(table["tai_utc"], dtype=np.float64)


def tai_minus_utc_s(mjd: FloatArray) -> FloatArray:
    """TAI - UTC in seconds at UTC dates; before 1972 the value of 1972 (10 s)."""
    since, seconds = _leap_seconds()
    row = np.searchsorted(since, mjd, side="right") - 1
    return seconds[np.maximum(row, 0)]


@cache
def _ut1_minus_tai() -> tuple[FloatArray, FloatArray]:
    """Dates (MJD) and UT1 - TAI in seconds: without leap seconds it is continuous."""
    table_file = files("astropy_iers_data") / "data" / "finals2000A.all"
    lines = table_file.read_bytes().splitlines()
    rows = [
        (float(line[_MJD_COLUMNS]), float(line[_UT1_UTC_COLUMNS]))
        for line in lines
        if line[_UT1_UTC_COLUMNS].strip()
    ]
    table = np.array(rows, dtype=np.float64)
    return table[:, 0], table[:, 1] - tai_minus_utc_s(table[:, 0])


def ut1_minus_tai_s(mjd: FloatArray) -> FloatArray:
    """UT1 - TAI in seconds at UTC dates; NaN where the table does not reach."""
    dates, values = _ut1_minus_tai()
    return np.interp(mjd, dates, values, left=np.nan, right=np.nan)


def earth_rotation_known(utc_s: float) -> bool:
    """Whether the installed table holds UT1 - UTC (measured or predicted) at a time."""
    dates, _ = _ut1_minus_tai()
    return bool(dates[0] <= utc_s / DAY_S + POSIX_EPOCH_MJD <= dates[-1])
