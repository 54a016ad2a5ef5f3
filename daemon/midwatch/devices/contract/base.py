"""What every device shares: kinds, states, commands, and what a driver says of its device."""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, JsonValue

R = TypeVar("R")

PierSide = Literal["east", "west", "unknown"]
FrameKind = Literal["light", "dark", "flat", "bias", "focus", "solve", "guide"]


class Model(BaseModel):
    """Frozen, closed base of everything that travels."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class Kind(StrEnum):
    """The kinds of device that a rig can have."""

    MOUNT = "mount"
    CAMERA = "camera"
    FOCUSER = "focuser"
    GUIDER = "guider"
    FILTER_WHEEL = "filter_wheel"
    WEATHER = "weather"
    ROOF = "roof"
    FLAT_PANEL = "flat_panel"
    SWITCH = "switch"
    ROTATOR = "rotator"


# What a rig can have a device for, and the kind of device that does it. Every kind is a role of
# its own name; devices are asked and shown in this order, so that a guider finds its camera.
ROLES: dict[str, Kind] = {
    "mount": Kind.MOUNT,
    "camera": Kind.CAMERA,
    "focuser": Kind.FOCUSER,
    "guide_camera": Kind.CAMERA,
    "guider": Kind.GUIDER,
    "filter_wheel": Kind.FILTER_WHEEL,
    "weather": Kind.WEATHER,
    "roof": Kind.ROOF,
    "flat_panel": Kind.FLAT_PANEL,
    "switch": Kind.SWITCH,
    "rotator": Kind.ROTATOR,
}


def kind_of(role: str) -> Kind:
    """Return the kind of device that has a role in a rig.

    Raises:
        ValueError: there is no such role.
    """
    try:
        return ROLES[role]
    except KeyError:
        raise ValueError(f"{role!r} is no role; roles are {', '.join(ROLES)}") from None


class Command(Model, Generic[R]):
    """One request to a device. Its fields are the arguments; ``R`` is what answers it.

    Class attributes:
        command: name on the bus.
        kind: kind of device that takes it; None for every kind.
        answer: model of the answer, or None.
        exclusive: refused as busy while another exclusive command runs.
        interrupts: ends a running exclusive command first.
        needs_lease: only the holder of the lease may give it.
    """

    command: ClassVar[str]
    kind: ClassVar[Kind | None] = None
    answer: ClassVar[type[Model] | None] = None
    exclusive: ClassVar[bool] = True
    interrupts: ClassVar[bool] = False
    needs_lease: ClassVar[bool] = True


class DeviceState(Model):
    """What every device reports.

    Attributes:
        connected: the driver talks to its hardware.
        at_rest: the device is in its safe state (parked; closed; warm; idle).
        fault: what the device itself says is wrong, in words; None when well.
    """

    connected: bool = False
    at_rest: bool = True
    fault: str | None = None


class Connect(Command[None]):
    """Open the link to the hardware."""

    command = "connect"


class Disconnect(Command[None]):
    """Close the link to the hardware."""

    command = "disconnect"


class MakeSafe(Command[None]):
    """Go to the safe state of the kind, whatever is running. Anybody with an account may ask."""

    command = "make_safe"
    interrupts = True
    needs_lease = False
    reason: str


class Stop(Command[None]):
    """End whatever the device is doing, at once. Anybody with an account may ask."""

    command = "stop"
    interrupts = True
    needs_lease = False


class DeviceAbout(Model):
    """What a driver says of its device once: capabilities, limits and units.

    Attributes:
        limits: name with the unit in it (``max_position``, ``slew_rate_deg_s``) to value.
    """

    kind: Kind
    driver: str
    capabilities: tuple[str, ...] = ()
    limits: dict[str, JsonValue] = Field(default_factory=dict)
