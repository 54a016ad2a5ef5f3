"""State and commands of a focuser."""

from __future__ import annotations

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind


class FocuserState(DeviceState):
    """State of a focuser."""

    position: int = 0
    max_position: int = 0
    moving: bool = False
    temperature_c: float | None = None


class Move(Command[None]):
    """Go to a position; answers on arrival."""

    command = "move"
    kind = Kind.FOCUSER
    position: int = Field(ge=0)
