"""Reading of times and recorded values, and an independent sky, for tests of the sky."""

from __future__ import annotations

import json
import warnings
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from midwatch.sky import Observer, Place

_DATA = Path(__file__).parent.parent / "reference" / "data"


def posix(iso: str) -> float:
    """POSIX seconds of an ISO time that ends in Z."""
    return datetime.fromisoformat(iso.replace("Z", "+00:00")).timestamp()


def recorded(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((_DATA / name).read_text(encoding="utf-8"))
    return content


def observer_of(site: dict[str, Any]) -> Observer:
    return Observer(Place(site["latitude_deg"], site["longitude_deg"], site["elevation_m"]))


class SkyfieldSky:
    """skyfield with JPL DE421 and the Earth-rotation table that skyfield-data carries."""

    def __init__(self) -> None:
        from skyfield.api import Loader
        from skyfield_data import get_skyfield_data_path

        with warnings.catch_warnings():
            # The age of its Earth-rotation table matters to dates after it only.
            warnings.simplefilter("ignore", RuntimeWarning)
            folder = get_skyfield_data_path()
        loader = Loader(folder, verbose=False)
        self.timescale = loader.timescale(builtin=False)
        bodies = loader("de421.bsp")
        self.earth, self.sun, self.moon = bodies["earth"], bodies["sun"], bodies["moon"]

    def time(self, utc_s: Any) -> Any:
        if np.ndim(utc_s) == 0:
            return self.timescale.from_datetime(datetime.fromtimestamp(float(utc_s), UTC))
        return self.timescale.from_datetimes([datetime.fromtimestamp(t, UTC) for t in utc_s])

    def standing(self, place: Place) -> Any:
        from skyfield.api import wgs84

        return self.earth + wgs84.latlon(place.latitude_deg, place.longitude_deg, place.elevation_m)

    def star(self, ra_deg: float, dec_deg: float) -> Any:
        from skyfield.api import Star

        return Star(ra_hours=ra_deg / 15.0, dec_degrees=dec_deg)

    def altaz(self, place: Place, body: Any, utc_s: Any) -> tuple[Any, Any]:
        seen = self.standing(place).at(self.time(utc_s)).observe(body).apparent()
        alt, az, _ = seen.altaz()
        return alt.degrees, az.degrees


@cache
def skyfield_sky() -> SkyfieldSky:
    return SkyfieldSky()
