"""What plugins may import; nothing else of the daemon is public to them.

A plugin is a package with entry points: ``midwatch.duties``, ``midwatch.lookouts``,
``midwatch.graders``, ``midwatch.notifiers`` name classes, ``midwatch.drivers`` a callable that
takes a `DriverContext`. See DEVELOPERS.md for an example of each.
"""

from midwatch.bus.calls import CallTimeoutError, CommandError
from midwatch.bus.envelopes import ErrorKind
from midwatch.clock import Clock
from midwatch.devices.client import DeviceClient
from midwatch.devices.driver import (
    DeviceError,
    Driver,
    DriverContext,
    DriverFactory,
    Facts,
    Peer,
    Spool,
)
from midwatch.devices.models import (
    Acknowledge,
    CameraState,
    CloseRoof,
    Command,
    Connect,
    Cool,
    Cover,
    CycleOutlet,
    DeviceAbout,
    DeviceState,
    Disconnect,
    Dither,
    Expose,
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
    Pulse,
    RoofState,
    Rotate,
    RotatorState,
    SelectFilter,
    SetOutlet,
    Settle,
    Slew,
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
from midwatch.devices.models import (
    Light as LightPanel,
)
from midwatch.devices.spool import FrameCorruptError, fetch
from midwatch.errors import (
    MakeSafeError,
    MidwatchError,
    RetryableError,
    SkipTargetError,
    StopError,
)
from midwatch.imaging.focus_curve import FocusFit, fit_focus_curve
from midwatch.imaging.focus_samples import FocusMeasure
from midwatch.imaging.focus_search import FocusSearch, FocusTask, zone_blur_px
from midwatch.imaging.focus_verdict import FocusVerdict
from midwatch.imaging.frames import Frame
from midwatch.imaging.guiding import (
    GuideLoop,
    GuidePulse,
    GuideSettings,
    GuideStatistics,
    LoopOutput,
    Pointing,
    SettleRule,
)
from midwatch.imaging.solving import SolveFailure
from midwatch.imaging.wcs import Solution
from midwatch.journal.events import (
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
from midwatch.orders import GradingSettings
from midwatch.sequencer.context import DutyContext
from midwatch.sequencer.cooling import set_point_c
from midwatch.sequencer.darkroom import CameraSetting, Shot
from midwatch.sequencer.duty import Args, Duty
from midwatch.sequencer.duty_failure import DutyFailedError
from midwatch.sequencer.eyes import Sight
from midwatch.sequencer.grader import Grader, Light, Verdict
from midwatch.sequencer.keeping import collect_waiting, file_what_waits, keep_frame
from midwatch.sequencer.lookout import Lookout, Reading, View
from midwatch.sequencer.motion import motion_ended, park, stop_guiding
from midwatch.sequencer.notifier import Notifier
from midwatch.sky.geometry import separation_deg

__all__ = [
    "Acknowledge", "Args", "CallTimeoutError", "CameraSetting", "CameraState", "Cause", "Centred",
    "Clock", "CloseRoof", "Command", "CommandError", "Connect", "Cool", "Cover", "CycleOutlet",
    "DeviceAbout", "DeviceClient", "DeviceError", "DeviceState", "Disconnect", "Dither", "Dithered",
    "Driver", "DriverContext", "DriverFactory", "Duty", "DutyContext", "DutyFailedError",
    "ErrorKind", "Expose", "Fact", "Facts", "FilterWheelState", "FlatPanelState", "Flipped",
    "FocusFit", "FocusFollowed", "FocusMeasure", "FocusRun", "FocusSearch", "FocusTask",
    "FocusVerdict", "FocuserState", "Frame", "FrameBegun",
    "FrameCorruptError", "FrameFacts", "FrameRef", "Grade", "Grader", "GradingSettings",
    "GuideLoop", "GuidePulse", "GuideSettings",
    "GuideStatistics", "GuiderState", "GuidingStarted", "Kind", "Light", "LightPanel", "LimitHeld",
    "ListWaiting", "Lookout", "LoopOutput", "MakeSafe", "MakeSafeError", "MidwatchError", "Model",
    "MotionEnded", "MountState", "Move", "Notice", "Notifier", "OpenRoof", "Park", "Peer",
    "Pointing", "Pulse", "Reading", "RetryableError", "RoofState", "Rotate", "RotatorState",
    "SelectFilter", "SetOutlet", "Settle", "SettleRule", "Shot", "Sight", "SkipTargetError", "Slew",
    "Solution", "SolveFailure", "Spool", "StartGuiding", "Stop", "StopError", "StopGuiding",
    "SwitchState", "Sync", "Track", "Unpark", "Verdict", "View", "Warm", "WeatherState",
    "collect_waiting", "fetch", "file_what_waits", "fit_focus_curve", "keep_frame", "motion_ended",
    "park", "separation_deg", "set_point_c", "stop_guiding", "zone_blur_px",
]  # fmt: skip
