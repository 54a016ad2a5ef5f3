"""State and command models of every kind of device: the contract that drivers keep.

A state is everything that a device reports about itself. A command is a frozen model whose
class says what answers it; ``await device.do(Slew(...))`` is therefore typed end to end. The same
models produce the published description of the bus.

Conventions: coordinates are ICRS (J2000) in degrees, azimuth from true north through east, pier
side is where the telescope is ("west" of the pier looks east, before the meridian; "east" of the
pier looks west, after the flip). Positions of focusers are steps.
"""

from __future__ import annotations

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
    Acknowledge,
    CameraState,
    CloseRoof,
    Cool,
    Cover,
    CycleOutlet,
    Dither,
    Expose,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    FrameRef,
    GuiderState,
    Light,
    ListWaiting,
    MountState,
    Move,
    OpenRoof,
    Park,
    Pulse,
    RoofState,
    Rotate,
    RotatorState,
    SelectFilter,
    SetOutlet,
    Slew,
    StartGuiding,
    StopGuiding,
    SwitchState,
    Sync,
    Track,
    Unpark,
    Waiting,
    Warm,
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

_COMMANDS: tuple[type[Command[None]] | type[Command[FrameRef]] | type[Command[Waiting]], ...] = (
    Connect, Disconnect, MakeSafe, Stop,
    Slew, Sync, Track, Park, Unpark, Pulse,
    Expose, Acknowledge, ListWaiting, Cool, Warm,
    Move,
    StartGuiding, StopGuiding, Dither,
    SelectFilter,
    OpenRoof, CloseRoof,
    Light, Cover,
    SetOutlet, CycleOutlet,
    Rotate,
)  # fmt: skip


def commands_of(kind: Kind) -> dict[str, type[Command[object]]]:
    """Return the commands that a kind of device takes, by name on the bus."""
    return {c.command: c for c in _COMMANDS if c.kind in (None, kind)}  # type: ignore[misc]
