"""States and commands of what surrounds the telescope: weather sensor, roof, flat panel, switch."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, Field

from midwatch.devices.contract.base import Command, DeviceState, Kind


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


class RoofState(DeviceState):
    """State of a roof or dome shutter."""

    position: Literal["open", "closed", "opening", "closing", "between", "unknown"] = "closed"


class OpenRoof(Command[None]):
    """Open; answers when the sensor says open."""

    command = "open_roof"
    kind = Kind.ROOF


class CloseRoof(Command[None]):
    """Close; answers when the sensor says closed.

    Refused while the mount is not parked, but for a roof that says in its limits that it
    ``clears_telescope``: it closes over a telescope in any position.
    """

    command = "close_roof"
    kind = Kind.ROOF
    interrupts = True


class FlatPanelState(DeviceState):
    """State of a flat panel with an optional cover."""

    lit: bool = False
    brightness_percent: float = 0.0
    cover: Literal["open", "closed", "moving", "none"] = "none"


class Light(Command[None]):
    """Switch the panel on at a brightness; 0 switches it off."""

    command = "light"
    kind = Kind.FLAT_PANEL
    brightness_percent: float = Field(ge=0, le=100)


class Cover(Command[None]):
    """Open or close the cover; answers on arrival."""

    command = "cover"
    kind = Kind.FLAT_PANEL
    closed: bool


class SwitchState(DeviceState):
    """State of a box of switched outlets."""

    outlets: dict[str, bool] = Field(default_factory=dict)


class SetOutlet(Command[None]):
    """Switch one outlet on or off."""

    command = "set_outlet"
    kind = Kind.SWITCH
    outlet: str
    on: bool


class CycleOutlet(Command[None]):
    """Switch one outlet off and, after some seconds, on again."""

    command = "cycle_outlet"
    kind = Kind.SWITCH
    outlet: str
    off_s: float = Field(gt=0, le=120)
