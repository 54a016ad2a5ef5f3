"""State and commands of a flat panel with a cover."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind


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
