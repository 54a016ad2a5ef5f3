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
    ROLES,
    Command,
    Connect,
    DeviceAbout,
    DeviceState,
    Disconnect,
    FrameKind,
    Kind,
    MakeSafe,
    Model,
    PierSide,
    Stop,
    kind_of,
)
from midwatch.devices.contract.beam import (
    Dither,
    FilterWheelState,
    FocuserState,
    GuiderState,
    Move,
    SelectFilter,
    Settle,
    StartGuiding,
    StopGuiding,
)
from midwatch.devices.contract.camera import (
    Acknowledge,
    CameraState,
    Cool,
    Expose,
    FrameFacts,
    FrameRef,
    ListWaiting,
    Waiting,
    Warm,
)
from midwatch.devices.contract.mount import MountState, Park, Pulse, Slew, Sync, Track, Unpark
from midwatch.devices.contract.rotator import Rotate, RotatorState
from midwatch.devices.contract.surrounding_devices import (
    CloseRoof,
    Cover,
    CycleOutlet,
    FlatPanelState,
    Light,
    OpenRoof,
    RoofState,
    SetOutlet,
    SwitchState,
    WeatherState,
)

__all__ = [
    "ROLES",
    "STATES",
    "Acknowledge",
    "CameraState",
    "CloseRoof",
    "Command",
    "Connect",
    "Cool",
    "Cover",
    "CycleOutlet",
    "DeviceAbout",
    "DeviceState",
    "Disconnect",
    "Dither",
    "Expose",
    "FilterWheelState",
    "FlatPanelState",
    "FocuserState",
    "FrameFacts",
    "FrameKind",
    "FrameRef",
    "GuiderState",
    "Kind",
    "Light",
    "ListWaiting",
    "MakeSafe",
    "Model",
    "MountState",
    "Move",
    "OpenRoof",
    "Park",
    "PierSide",
    "Pulse",
    "RoofState",
    "Rotate",
    "RotatorState",
    "SelectFilter",
    "SetOutlet",
    "Settle",
    "Slew",
    "StartGuiding",
    "Stop",
    "StopGuiding",
    "SwitchState",
    "Sync",
    "Track",
    "Unpark",
    "Waiting",
    "Warm",
    "WeatherState",
    "commands_of",
    "kind_of",
]

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
