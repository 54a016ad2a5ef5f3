"""What goes on around the rig: clouds, wind, dew, guiding, disk, limits."""

from __future__ import annotations

import math
from typing import ClassVar, Literal

from midwatch.api.lookout import Reading, View


class Clouds:
    """Cloud cover, percent, from the weather sensor."""

    name: ClassVar[str] = "clouds"
    unit: ClassVar[str] = "percent"
    trip: ClassVar[float] = 60.0
    clear: ClassVar[float] = 40.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Pass on what the sensor says."""
        cover = view.weather.cloud_percent if view.weather is not None else None
        if cover is None:
            return Reading(None, "no cloud reading")
        return Reading(cover, f"clouds cover {cover:.0f} % of the sky")


class Wind:
    """Wind speed, metres a second."""

    name: ClassVar[str] = "wind"
    unit: ClassVar[str] = "m/s"
    trip: ClassVar[float] = 8.0
    clear: ClassVar[float] = 6.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Take the stronger of mean wind and gusts."""
        weather = view.weather
        speeds = [] if weather is None else [weather.wind_ms, weather.gust_ms]
        known = [speed for speed in speeds if speed is not None]
        if not known:
            return Reading(None, "no wind reading")
        return Reading(max(known), f"wind up to {max(known):.1f} m/s")


class Dew:
    """Margin of the air above the dew point, degrees Celsius; trips when it is small."""

    name: ClassVar[str] = "dew"
    unit: ClassVar[str] = "degC"
    trip: ClassVar[float] = 2.0
    clear: ClassVar[float] = 3.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Subtract the dew point from the air temperature."""
        weather = view.weather
        if weather is None or weather.air_c is None or weather.dew_point_c is None:
            return Reading(None, "no dew reading")
        margin = weather.air_c - weather.dew_point_c
        return Reading(margin, f"the air is {margin:.1f} degC above the dew point")


class GuidingError:
    """Total guiding error, arcseconds rms."""

    name: ClassVar[str] = "guiding"
    unit: ClassVar[str] = "arcsec"
    trip: ClassVar[float] = 2.0
    clear: ClassVar[float] = 1.5
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Add the axes in quadrature."""
        guider = view.guider
        if guider is None or guider.phase != "guiding" or guider.rms_ra_arcsec is None:
            return Reading(None, "not guiding")
        rms = math.hypot(guider.rms_ra_arcsec, guider.rms_dec_arcsec or 0.0)
        return Reading(rms, f"guiding error {rms:.2f} arcsec rms")


class Disk:
    """Free space on the data folder's disk, gigabytes; trips when it is small."""

    name: ClassVar[str] = "disk"
    unit: ClassVar[str] = "GB"
    trip: ClassVar[float] = 2.0
    clear: ClassVar[float] = 3.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Pass on what the file system says."""
        free = view.free_disk_gb
        if free is None:
            return Reading(None, "free disk space is not known")
        return Reading(free, f"{free:.1f} GB are free for frames")


class LimitAhead:
    """Minutes until the mount's present tracking meets a limit; trips when they are few."""

    name: ClassVar[str] = "limit_ahead"
    unit: ClassVar[str] = "min"
    trip: ClassVar[float] = 5.0
    clear: ClassVar[float] = 6.0
    missing: ClassVar[Literal["unknown", "tripped"]] = "unknown"

    def read(self, view: View) -> Reading:
        """Pass on the forecast; nothing tracks, nothing is ahead."""
        if math.isinf(view.limit_in_s):
            return Reading(None, "no limit ahead")
        minutes = view.limit_in_s / 60.0
        return Reading(minutes, f"a mount limit in {minutes:.0f} min")
