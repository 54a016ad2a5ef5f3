"""State and command models of every kind of device: the contract that drivers keep.

A state is everything that a device reports about itself. A command is a frozen model whose
class says what answers it; ``await device.do(Slew(...))`` is therefore typed end to end. The same
models produce the published description of the bus.

Conventions: coordinates are ICRS (J2000) in degrees, azimuth from true north through east, pier
side is where the telescope is ("west" of the pier looks east, before the meridian; "east" of the
pier looks west, after the flip). Positions of focusers are steps.
"""

from __future__ import annotations

from typing import Any

from midwatch.devices.contract import kinds
from midwatch.devices.contract.base import (
    Command,
    Connect,
    DeviceState,
    Disconnect,
    Kind,
    MakeSafe,
    Stop,
)
from midwatch.devices.contract.kinds import (
    CameraState,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    GuiderState,
    MountState,
    RoofState,
    RotatorState,
    SwitchState,
    WeatherState,
)

__all__ = ["STATES", "commands_of"]

STATES: dict[Kind, type[DeviceState]] = {
    Kind.MOUNT: MountState,
    Kind.CAMERA: CameraState,
    Kind.FOCUSER: FocuserState,
    Kind.GUIDER: GuiderState,
    Kind.FILTER_WHEEL: FilterWheelState,
    Kind.WEATHER: WeatherState,
    Kind.ROOF: RoofState,
    Kind.FLAT_PANEL: FlatPanelState,
    Kind.SWITCH: SwitchState,
    Kind.ROTATOR: RotatorState,
}

# What every device takes, then what each kind takes by itself: all commands of its module.
_COMMANDS: tuple[type[Command[Any]], ...] = (
    Connect,
    Disconnect,
    MakeSafe,
    Stop,
    *(c for c in vars(kinds).values() if isinstance(c, type) and issubclass(c, Command)),
)


def commands_of(kind: Kind) -> dict[str, type[Command[object]]]:
    """Return the commands that a kind of device takes, by name on the bus."""
    return {c.command: c for c in _COMMANDS if c.kind in (None, kind)}
