"""State of a weather and safety sensor."""

from __future__ import annotations

from pydantic import AwareDatetime

from midwatch.devices.contract.base import DeviceState


class WeatherState(DeviceState):
    """Readings of the weather and safety sensor; None where it cannot measure."""

    read_at: AwareDatetime | None = None
    air_c: float | None = None
    humidity_percent: float | None = None
    dew_point_c: float | None = None
    wind_ms: float | None = None
    gust_ms: float | None = None
    cloud_percent: float | None = None
    rain: bool | None = None
