"""What a device and its driver are: kinds, states, commands, frames, installed drivers."""

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
from midwatch.devices.contract.bus_account import HostBook, HostReport
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
from midwatch.devices.contract.driver import (
    DeviceError,
    Driver,
    DriverContext,
    DriverFactory,
    Facts,
    Peer,
    Spool,
)
from midwatch.devices.contract.installed_drivers import DriverLoadError, driver_factory, drivers
from midwatch.devices.contract.kept_facts import FileKeptFacts, KeptFacts, MemoryKeptFacts
from midwatch.devices.contract.kinds import STATES, commands_of
from midwatch.devices.contract.mount import MountState, Park, Pulse, Slew, Sync, Track, Unpark
from midwatch.devices.contract.mount_directions import right_ascensions_deg
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
    "ROLES", "STATES", "Acknowledge", "CameraState", "CloseRoof", "Command", "Connect", "Cool",
    "Cover", "CycleOutlet", "DeviceAbout", "DeviceError", "DeviceState", "Disconnect", "Dither",
    "Driver", "DriverContext", "DriverFactory", "DriverLoadError", "Expose", "Facts",
    "FileKeptFacts", "FilterWheelState", "FlatPanelState", "FocuserState", "FrameFacts",
    "FrameKind", "FrameRef", "GuiderState", "HostBook", "HostReport", "KeptFacts", "Kind", "Light",
    "ListWaiting", "MakeSafe", "MemoryKeptFacts", "Model", "MountState", "Move", "OpenRoof",
    "Park", "Peer", "PierSide", "Pulse", "RoofState", "Rotate", "RotatorState", "SelectFilter",
    "SetOutlet", "Settle", "Slew", "Spool", "StartGuiding", "Stop", "StopGuiding", "SwitchState",
    "Sync", "Track", "Unpark", "Waiting", "Warm", "WeatherState", "commands_of", "driver_factory",
    "drivers", "kind_of", "right_ascensions_deg",
]  # fmt: skip
