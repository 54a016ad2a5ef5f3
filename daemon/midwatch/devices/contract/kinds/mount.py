"""State and commands of a mount."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind, PierSide


class MountState(DeviceState):
    """State of a mount; coordinates are where it believes that it points.

    Attributes:
        pier_side: unknown on a mount that has none, such as a fork.
    """

    ra_deg: float = 0.0
    dec_deg: float = 0.0
    alt_deg: float = 0.0
    az_deg: float = 0.0
    hour_angle_deg: float = 0.0
    pier_side: PierSide = "unknown"
    tracking: bool = False
    slewing: bool = False
    parked: bool = True


class Slew(Command[None]):
    """Go to a position and track there; answers when the mount has arrived and settled.

    Attributes:
        pier_side: side to arrive on; None lets the mount choose, or where it has none.
    """

    command = "slew"
    kind = Kind.MOUNT
    ra_deg: float = Field(ge=0, lt=360)
    dec_deg: float = Field(ge=-90, le=90)
    pier_side: Literal["east", "west"] | None = None


class Sync(Command[None]):
    """Set the mount's position to where it really points."""

    command = "sync"
    kind = Kind.MOUNT
    ra_deg: float = Field(ge=0, lt=360)
    dec_deg: float = Field(ge=-90, le=90)


class Track(Command[None]):
    """Start or stop sidereal tracking."""

    command = "track"
    kind = Kind.MOUNT
    on: bool


class Park(Command[None]):
    """Go to the park position and stop there."""

    command = "park"
    kind = Kind.MOUNT


class Unpark(Command[None]):
    """Allow motion again; the mount does not move."""

    command = "unpark"
    kind = Kind.MOUNT


class Pulse(Command[None]):
    """Move at the guide rate for some milliseconds."""

    command = "pulse"
    kind = Kind.MOUNT
    exclusive = False
    direction: Literal["north", "south", "east", "west"]
    duration_ms: int = Field(ge=0, le=10_000)
