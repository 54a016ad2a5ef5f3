"""The kinds of devices, one in each file: what each reports and what it can be asked to do."""

from midwatch.devices.contract.kinds.camera import (
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
from midwatch.devices.contract.kinds.filter_wheel import FilterWheelState, SelectFilter
from midwatch.devices.contract.kinds.flat_panel import Cover, FlatPanelState, Light
from midwatch.devices.contract.kinds.focuser import FocuserState, Move
from midwatch.devices.contract.kinds.guider import (
    Dither,
    GuiderState,
    Settle,
    StartGuiding,
    StopGuiding,
)
from midwatch.devices.contract.kinds.mount import MountState, Park, Pulse, Slew, Sync, Track, Unpark
from midwatch.devices.contract.kinds.roof import CloseRoof, OpenRoof, RoofState
from midwatch.devices.contract.kinds.rotator import Rotate, RotatorState
from midwatch.devices.contract.kinds.switch import CycleOutlet, SetOutlet, SwitchState
from midwatch.devices.contract.kinds.weather import WeatherState

__all__ = [
    "Acknowledge", "CameraState", "CloseRoof", "Cool", "Cover", "CycleOutlet", "Dither",
    "Expose", "FilterWheelState", "FlatPanelState", "FocuserState", "FrameFacts", "FrameRef",
    "GuiderState", "Light", "ListWaiting", "MountState", "Move", "OpenRoof", "Park", "Pulse",
    "RoofState", "Rotate", "RotatorState", "SelectFilter", "SetOutlet", "Settle", "Slew",
    "StartGuiding", "StopGuiding", "SwitchState", "Sync", "Track", "Unpark", "Waiting", "Warm",
    "WeatherState",
]  # fmt: skip
