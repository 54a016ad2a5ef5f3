"""The altitude below which trees, roofs and hills hide the sky, by azimuth."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from midwatch.sky.vectors import FloatArray, wrap_360

# Azimuths are distinguished to this step, so that the slope between two points stays finite.
_AZIMUTH_DECIMALS = 6
_AZIMUTH_STEP_DEG = 10.0**-_AZIMUTH_DECIMALS
_SEPARATORS = re.compile(r"[\s,;]+")


class HorizonFileError(ValueError):
    """A horizon file cannot be read; the message names the file, and the line if there is one."""


@dataclass(frozen=True)
class Horizon:
    """Altitudes at given azimuths, linear between them and around north.

    Attributes:
        points: (azimuth, altitude) in degrees; azimuths rise within [0, 360). One point is a
            flat horizon.
    """

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        if not self.points:
            raise ValueError("a horizon needs at least one point")
        for azimuth, altitude in self.points:
            _check_point(azimuth, altitude)
        azimuths = [azimuth for azimuth, _ in self.points]
        if any(not b - a > 0.5 * _AZIMUTH_STEP_DEG for a, b in pairwise(azimuths)):
            raise ValueError("azimuths of a horizon must rise; use Horizon.from_pairs to sort")
        if azimuths[-1] >= 360.0:
            raise ValueError("azimuths of a horizon must be under 360 deg")

    @classmethod
    def flat(cls, alt_deg: float) -> Horizon:
        """The same altitude all around."""
        return cls(((0.0, float(alt_deg)),))

    @classmethod
    def from_pairs(cls, pairs: Iterable[tuple[float, float]]) -> Horizon:
        """A horizon from (azimuth, altitude) in any order; 360 means 0.

        Azimuths are rounded to a millionth of a degree.

        Raises:
            ValueError: no point, an azimuth outside 0 to 360, an altitude outside -90 to 90, or
                two altitudes at one azimuth.
        """
        by_azimuth: dict[float, float] = {}
        for azimuth, altitude in pairs:
            _add_point(by_azimuth, azimuth, altitude)
        return cls(tuple(sorted(by_azimuth.items())))

    @classmethod
    def from_file(cls, path: Path | str) -> Horizon:
        """Read lines of azimuth and altitude in degrees, parted by blanks, comma or semicolon.

        Text after `#` and empty lines are passed over, and so is one line of column titles.

        Raises:
            HorizonFileError: the file cannot be read or a line makes no sense.
        """
        path = Path(path)
        try:
            lines = path.read_text(encoding="utf-8-sig").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise HorizonFileError(f"{path}: cannot be read as text: {error}") from error
        by_azimuth: dict[float, float] = {}
        titles_seen = False
        for number, line in enumerate(lines, start=1):
            fields = [field for field in _SEPARATORS.split(line.partition("#")[0]) if field]
            if not fields:
                continue
            if (
                not by_azimuth
                and not titles_seen
                and not any(_is_number(field) for field in fields)
            ):
                titles_seen = True
                continue
            try:
                _add_point(by_azimuth, *_pair(fields))
            except ValueError as error:
                raise HorizonFileError(f"{path}, line {number}: {error}") from error
        if not by_azimuth:
            raise HorizonFileError(f"{path}: holds no line of azimuth and altitude")
        return cls(tuple(sorted(by_azimuth.items())))

    def altitude_deg(self, az_deg: ArrayLike) -> FloatArray:
        """Altitude of the horizon at azimuths of any shape, degrees."""
        azimuths, altitudes = self._wrapped
        return np.interp(wrap_360(az_deg), azimuths, altitudes)

    def altitude_at(self, az_deg: float) -> float:
        """`altitude_deg` of one azimuth, by plain arithmetic."""
        azimuths, altitudes = self._wrapped_lists
        azimuth = az_deg % 360.0 % 360.0  # the first alone turns a tiny negative into 360
        i = bisect_right(azimuths, azimuth) - 1
        part = (azimuth - azimuths[i]) / (azimuths[i + 1] - azimuths[i])
        return altitudes[i] + part * (altitudes[i + 1] - altitudes[i])

    def raised(self, by_deg: float) -> Horizon:
        """The same horizon `by_deg` higher, never past the zenith."""
        return Horizon(tuple((az, max(-90.0, min(90.0, alt + by_deg))) for az, alt in self.points))

    @cached_property
    def _wrapped_lists(self) -> tuple[list[float], list[float]]:
        first, last = self.points[0], self.points[-1]
        points = [(last[0] - 360.0, last[1]), *self.points, (first[0] + 360.0, first[1])]
        return [point[0] for point in points], [point[1] for point in points]

    @cached_property
    def _wrapped(self) -> tuple[FloatArray, FloatArray]:
        azimuths, altitudes = self._wrapped_lists
        return np.array(azimuths), np.array(altitudes)


def _check_point(azimuth_deg: float, altitude_deg: float) -> None:
    if not 0.0 <= azimuth_deg <= 360.0:
        raise ValueError(f"azimuth {azimuth_deg:g} deg is not within 0 to 360")
    if not -90.0 <= altitude_deg <= 90.0:
        raise ValueError(f"altitude {altitude_deg:g} deg is not within -90 to 90")


def _add_point(by_azimuth: dict[float, float], azimuth_deg: float, altitude_deg: float) -> None:
    _check_point(azimuth_deg, altitude_deg)
    key_deg = round(azimuth_deg % 360.0, _AZIMUTH_DECIMALS) % 360.0
    known_deg = by_azimuth.setdefault(key_deg, float(altitude_deg))
    if known_deg != altitude_deg:
        raise ValueError(
            f"azimuth {azimuth_deg:g} deg has two altitudes, {known_deg:g} and "
            f"{altitude_deg:g} deg; set a vertical edge as two azimuths 0.1 deg apart"
        )


def _is_number(field: str) -> bool:
    try:
        float(field)
    except ValueError:
        return False
    return True


def _pair(fields: list[str]) -> tuple[float, float]:
    if len(fields) != 2:
        raise ValueError(f"expected azimuth and altitude, found {len(fields)} fields")
    for field in fields:
        if not _is_number(field):
            raise ValueError(f"{field!r} is not a number of degrees")
    return float(fields[0]), float(fields[1])
