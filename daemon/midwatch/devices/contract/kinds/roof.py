"""State and commands of a roof."""

from __future__ import annotations

from typing import Literal

from midwatch.devices.contract.base import Command, DeviceState, Kind


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
