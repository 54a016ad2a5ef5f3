"""State and command of a camera rotator."""

from __future__ import annotations

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind


class RotatorState(DeviceState):
    """State of a rotator.

    Attributes:
        angle_deg: mechanical angle in [0, 360); what it means on the sky is for plate solving to
            find out.
    """

    angle_deg: float = 0.0
    moving: bool = False


class Rotate(Command[None]):
    """Turn to a mechanical angle; answers on arrival. The driver keeps cables from winding up."""

    command = "rotate"
    kind = Kind.ROTATOR
    angle_deg: float = Field(ge=0, lt=360)
