"""What plugins may import; nothing else of the daemon is public to them.

A plugin is a package with entry points: ``midwatch.duties``, ``midwatch.lookouts``,
``midwatch.graders``, ``midwatch.notifiers`` name classes, ``midwatch.drivers`` a callable that
takes a `DriverContext`. See DEVELOPERS.md for an example of each.
"""

from midwatch.bus import CallTimeoutError, CommandError, ErrorKind
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient, FrameCorruptError, fetch
from midwatch.devices.contract import (
    Acknowledge,
    CameraState,
    CloseRoof,
    Command,
    Connect,
    Cool,
    Cover,
    CycleOutlet,
    DeviceAbout,
    DeviceError,
    DeviceState,
    Disconnect,
    Dither,
    Driver,
    DriverContext,
    DriverFactory,
    Expose,
    Facts,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    FrameFacts,
    FrameRef,
    GuiderState,
    Kind,
    ListWaiting,
    MakeSafe,
    Model,
    MountState,
    Move,
    OpenRoof,
    Park,
    Peer,
    Pulse,
    RoofState,
    Rotate,
    RotatorState,
    SelectFilter,
    SetOutlet,
    Settle,
    Slew,
    Spool,
    StartGuiding,
    Stop,
    StopGuiding,
    SwitchState,
    Sync,
    Track,
    Unpark,
    Warm,
    WeatherState,
)
from midwatch.devices.contract import Light as LightPanel
from midwatch.errors import MakeSafeError, MidwatchError, RetryableError, SkipTargetError, StopError
from midwatch.imaging import Frame, Solution
from midwatch.imaging.focus import (
    FocusFit,
    FocusMeasure,
    FocusSearch,
    FocusTask,
    FocusVerdict,
    fit_focus_curve,
    zone_blur_px,
)
from midwatch.imaging.guiding import (
    GuideLoop,
    GuideSettings,
    GuideStatistics,
    LoopOutput,
    Pointing,
    SettleRule,
)
from midwatch.imaging.guiding.steering import GuidePulse
from midwatch.imaging.solving import SolveFailure
from midwatch.journal.facts import (
    Cause,
    Centred,
    Dithered,
    Fact,
    Flipped,
    FocusFollowed,
    FocusRun,
    FrameBegun,
    Grade,
    GuidingStarted,
    LimitHeld,
    MotionEnded,
    Notice,
)
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.camera import CameraSetting, Shot, Sight
from midwatch.sequencer.duties import (
    Args,
    Duty,
    DutyContext,
    DutyFailedError,
    Notifier,
    motion_ended,
    park,
    stop_guiding,
)
from midwatch.sequencer.facts import Lookout, Reading, View
from midwatch.sequencer.frames import collect_waiting, file_what_waits, keep_frame
from midwatch.sequencer.grading import Grader, Light, Verdict
from midwatch.sequencer.watches import set_point_c
from midwatch.sky import separation_deg
from midwatch.sky.mounts import MountGeometry

__all__ = [
    "Acknowledge", "Args", "CallTimeoutError", "CameraSetting", "CameraState", "Cause", "Centred",
    "Clock", "CloseRoof", "Command", "CommandError", "Connect", "Cool", "Cover", "CycleOutlet",
    "DeviceAbout", "DeviceClient", "DeviceError", "DeviceState", "Disconnect", "Dither", "Dithered",
    "Driver", "DriverContext", "DriverFactory", "Duty", "DutyContext", "DutyFailedError",
    "ErrorKind", "Expose", "Fact", "Facts", "FilterWheelState", "FlatPanelState", "Flipped",
    "FocusFit", "FocusFollowed", "FocusMeasure", "FocusRun", "FocusSearch", "FocusTask",
    "FocusVerdict", "FocuserState", "Frame", "FrameBegun", "FrameCorruptError", "FrameFacts",
    "FrameRef", "Grade", "Grader", "GradingSettings", "GuideLoop", "GuidePulse", "GuideSettings",
    "GuideStatistics", "GuiderState", "GuidingStarted", "Kind", "Light", "LightPanel", "LimitHeld",
    "ListWaiting", "Lookout", "LoopOutput", "MakeSafe", "MakeSafeError", "MidwatchError", "Model",
    "MotionEnded", "MountGeometry", "MountState", "Move", "Notice", "Notifier", "OpenRoof", "Park",
    "Peer", "Pointing", "Pulse", "Reading", "RetryableError", "RoofState", "Rotate", "RotatorState",
    "SelectFilter", "SetOutlet", "Settle", "SettleRule", "Shot", "Sight", "SkipTargetError", "Slew",
    "Solution", "SolveFailure", "Spool", "StartGuiding", "Stop", "StopError", "StopGuiding",
    "SwitchState", "Sync", "Track", "Unpark", "Verdict", "View", "Warm", "WeatherState",
    "collect_waiting", "fetch", "file_what_waits", "fit_focus_curve", "keep_frame", "motion_ended",
    "park", "separation_deg", "set_point_c", "stop_guiding", "zone_blur_px",
]  # fmt: skip
