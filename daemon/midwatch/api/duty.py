"""For the author of a duty: something that the sequencer does, and returns when it is done.

A duty gets a `DutyContext` (devices, orders, plan, record, clock; never a transport) and its
arguments, in the model that it ``takes``. It may be begun at any time, and again after it was
cancelled, has failed, or the daemon has died in the middle of it: so it looks at what is, and does
what is left. A duty that standing orders may name takes `NoArgs`, or its own model of `DutyArgs`
with a default for each field. Those that Midwatch chooses by itself take the model that bears
their name: a `slew` takes `SlewArgs`.

Cancellation is the one way of interruption: let it through, and leave things so that the next duty
can begin. Raise `DutyFailedError` for what another attempt may cure, `SkipTargetError` where
another target would work, `MakeSafeError` where the rig is in danger, `StopError` where the night
must end. Devices raise `CommandError` and `CallTimeoutError`; both may be let through.

Example, for the entry point ``lamp_off`` in ``midwatch.duties``::

    from typing import ClassVar

    from midwatch.api.duty import Cause, DutyArgs, DutyContext, NoArgs, SetOutlet


    class LampOff:
        name: ClassVar[str] = "lamp_off"
        cause: ClassVar[Cause] = "standing_order"
        takes: ClassVar[type[DutyArgs]] = NoArgs

        async def perform(self, context: DutyContext, args: NoArgs) -> None:
            switch = context.device(context.rig.switch, "switch")
            await switch.do(SetOutlet(outlet="lamp", on=False), timeout_s=20.0)
"""

from midwatch.bus import CallTimeoutError, CommandError, ErrorKind
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient
from midwatch.devices.contract import (
    Command,
    Connect,
    DeviceAbout,
    DeviceState,
    Disconnect,
    FrameKind,
    Kind,
    MakeSafe,
    PierSide,
    Stop,
)
from midwatch.devices.contract.kinds import (
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
    Warm,
    WeatherState,
)
from midwatch.errors import MakeSafeError, MidwatchError, SkipTargetError, StopError
from midwatch.imaging import Solution
from midwatch.imaging.focus import FocusMeasure, FocusSearch, FocusTask, FocusVerdict, zone_blur_px
from midwatch.imaging.solving import SolveFailure
from midwatch.journal.facts import (
    CalibrationSkipped,
    Cause,
    Centred,
    Dithered,
    Flipped,
    FocusFollowed,
    FocusRun,
    FrameBegun,
    FrameGraded,
    GuidingStarted,
    Notice,
    SetPointChosen,
)
from midwatch.sequencer.camera import CameraSetting, CoolerCourse, FrameMeasures, Shot, held_c
from midwatch.sequencer.decision import (
    CalibrateArgs,
    CentreArgs,
    CloseArgs,
    ConnectArgs,
    DitherArgs,
    DutyArgs,
    ExposeArgs,
    FlipArgs,
    FocusArgs,
    GuideArgs,
    HaltArgs,
    LessCoolingArgs,
    NoArgs,
    OpenArgs,
    PowerCycleArgs,
    PrepareArgs,
    RecalibrateArgs,
    ReconnectArgs,
    RestartDriverArgs,
    SecureArgs,
    SlewArgs,
)
from midwatch.sequencer.duties import (
    Duty,
    DutyContext,
    DutyFailedError,
    motion_ended,
    park,
    point,
    stop_guiding,
)
from midwatch.sequencer.frames import collect_waiting, file_what_waits, keep_frame
from midwatch.sequencer.watches import set_point_c
from midwatch.sky import separation_deg

__all__ = [
    "CalibrateArgs",
    "CalibrationSkipped",
    "CallTimeoutError",
    "CameraSetting",
    "CameraState",
    "Cause",
    "CentreArgs",
    "Centred",
    "Clock",
    "CloseArgs",
    "CloseRoof",
    "Command",
    "CommandError",
    "Connect",
    "ConnectArgs",
    "Cool",
    "CoolerCourse",
    "Cover",
    "CycleOutlet",
    "DeviceAbout",
    "DeviceClient",
    "DeviceState",
    "Disconnect",
    "Dither",
    "DitherArgs",
    "Dithered",
    "Duty",
    "DutyArgs",
    "DutyContext",
    "DutyFailedError",
    "ErrorKind",
    "Expose",
    "ExposeArgs",
    "FilterWheelState",
    "FlatPanelState",
    "FlipArgs",
    "Flipped",
    "FocusArgs",
    "FocusFollowed",
    "FocusMeasure",
    "FocusRun",
    "FocusSearch",
    "FocusTask",
    "FocusVerdict",
    "FocuserState",
    "FrameBegun",
    "FrameGraded",
    "FrameKind",
    "FrameMeasures",
    "FrameRef",
    "GuideArgs",
    "GuiderState",
    "GuidingStarted",
    "HaltArgs",
    "Kind",
    "LessCoolingArgs",
    "Light",
    "MakeSafe",
    "MakeSafeError",
    "MidwatchError",
    "MountState",
    "Move",
    "NoArgs",
    "Notice",
    "OpenArgs",
    "OpenRoof",
    "Park",
    "PierSide",
    "PowerCycleArgs",
    "PrepareArgs",
    "Pulse",
    "RecalibrateArgs",
    "ReconnectArgs",
    "RestartDriverArgs",
    "RoofState",
    "Rotate",
    "RotatorState",
    "SecureArgs",
    "SelectFilter",
    "SetOutlet",
    "SetPointChosen",
    "Settle",
    "Shot",
    "SkipTargetError",
    "Slew",
    "SlewArgs",
    "Solution",
    "SolveFailure",
    "StartGuiding",
    "Stop",
    "StopError",
    "StopGuiding",
    "SwitchState",
    "Sync",
    "Track",
    "Unpark",
    "Warm",
    "WeatherState",
    "collect_waiting",
    "file_what_waits",
    "held_c",
    "keep_frame",
    "motion_ended",
    "park",
    "point",
    "separation_deg",
    "set_point_c",
    "stop_guiding",
    "zone_blur_px",
]  # fmt: skip
