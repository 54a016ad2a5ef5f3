"""For the author of a driver: what talks to one device, of whatever make.

The entry point, in ``midwatch.drivers``, is a callable that takes a `DriverContext` and returns a
`Driver`. The driver's host does the rest: bus, lease, limits, deadlines, repeated commands, making
safe in time. Each kind of device has a state and commands of its own below.

``perform`` returns when a thing is done, not when it was asked for; it raises `DeviceError`.
Cancellation means: stop where that is safe. What blocks belongs into ``asyncio.to_thread``.
``make_safe`` must work without the daemon. Read time from ``context.clock`` and chance from
``context.rng`` only. Every kind takes `Connect`, `Disconnect` and `Stop`; the host itself answers
``make_safe``.

A camera keeps each exposure in ``context.spool`` and answers `Expose` with the reference that the
spool returns; it answers `ListWaiting` with the spool's `Waiting` frames, and drops a frame when
`Acknowledge` comes. ``about().limits`` of a camera names ``width_px``, ``height_px``, ``pixel_um``.
One with a shutter of its own says ``shutter`` among its capabilities: else its darks are taken only
where a roof or a cover is closed, or no light is measured.

Other devices of the rig are reached by ``context.peer``; what must outlive a restart of the driver
goes into ``context.kept_facts``. The arithmetic of guiding is here for the author of a guider.

Example, for the entry point ``silent-roof`` in ``midwatch.drivers``::

    from typing import Any

    from midwatch.api.driver import (
        CloseRoof,
        Command,
        Connect,
        DeviceAbout,
        DeviceError,
        Disconnect,
        DriverContext,
        Kind,
        OpenRoof,
        RoofState,
        Stop,
    )


    class SilentRoof:
        kind = Kind.ROOF

        def __init__(self, context: DriverContext) -> None:
            self._context = context
            self._state = RoofState(position="closed")

        def about(self) -> DeviceAbout:
            return DeviceAbout(kind=self.kind, driver="silent-roof")

        def state(self) -> RoofState:
            return self._state

        async def perform(self, command: Command[Any]) -> None:
            match command:
                case Connect() | Disconnect():
                    self._become(connected=isinstance(command, Connect))
                case OpenRoof():
                    self._become(position="open", at_rest=False)
                case CloseRoof():
                    await self.make_safe("asked to close")
                case Stop():
                    pass
                case _:
                    raise DeviceError(f"{self._context.name} cannot do {command.command}")

        async def make_safe(self, reason: str) -> None:
            self._become(position="closed", at_rest=True)

        async def close(self) -> None:
            pass

        def _become(self, **changes: Any) -> None:
            self._state = self._state.model_copy(update=changes)
            self._context.changed()
"""

from midwatch.bus import CallTimeoutError, CommandError, ErrorKind
from midwatch.clock import Clock
from midwatch.devices.client import FrameCorruptError, fetch
from midwatch.devices.contract import (
    Command,
    Connect,
    DeviceAbout,
    DeviceError,
    DeviceState,
    Disconnect,
    Driver,
    DriverContext,
    DriverFactory,
    Facts,
    FrameKind,
    KeptFacts,
    Kind,
    Model,
    Peer,
    PierSide,
    Spool,
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
    FrameFacts,
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
    Settle,
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
from midwatch.imaging import Frame
from midwatch.imaging.guiding import GuideLoop, GuidePointing, GuideSettings, LoopOutput, SettleRule
from midwatch.imaging.guiding.steering import GuidePulse
from midwatch.sky import Horizon, Place
from midwatch.sky.mounts import MountGeometry
from midwatch.tasks import together

__all__ = [
    "Acknowledge",
    "CallTimeoutError",
    "CameraState",
    "Clock",
    "CloseRoof",
    "Command",
    "CommandError",
    "Connect",
    "Cool",
    "Cover",
    "CycleOutlet",
    "DeviceAbout",
    "DeviceError",
    "DeviceState",
    "Disconnect",
    "Dither",
    "Driver",
    "DriverContext",
    "DriverFactory",
    "ErrorKind",
    "Expose",
    "Facts",
    "FilterWheelState",
    "FlatPanelState",
    "FocuserState",
    "Frame",
    "FrameCorruptError",
    "FrameFacts",
    "FrameKind",
    "FrameRef",
    "GuideLoop",
    "GuidePointing",
    "GuidePulse",
    "GuideSettings",
    "GuiderState",
    "Horizon",
    "KeptFacts",
    "Kind",
    "Light",
    "ListWaiting",
    "LoopOutput",
    "Model",
    "MountGeometry",
    "MountState",
    "Move",
    "OpenRoof",
    "Park",
    "Peer",
    "PierSide",
    "Place",
    "Pulse",
    "RoofState",
    "Rotate",
    "RotatorState",
    "SelectFilter",
    "SetOutlet",
    "Settle",
    "SettleRule",
    "Slew",
    "Spool",
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
    "fetch",
    "together",
]  # fmt: skip
