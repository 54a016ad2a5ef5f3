"""What to do next, and why: pure. No clock, no bus, no asyncio in this room."""

from midwatch.sequencer.decision.cases import Decision
from midwatch.sequencer.decision.fault_names import (
    CIRCLE,
    CLOCK_JUMPED,
    LINK_FAULTS,
    NO_LIGHT,
    NOT_COLD,
    NOT_CONNECTED,
    NOT_TRACKING,
    RESTART,
    SILENT,
    UNPLUGGED,
    WRONG_HOUR_ANGLE,
    WRONG_SIDE,
)
from midwatch.sequencer.decision.night_forecast import Forecast, forecast
from midwatch.sequencer.decision.rules import decide, preempt
from midwatch.sequencer.decision.world import (
    DEFAULT_DURATIONS_S,
    CalibrationNeed,
    FaultView,
    FocusView,
    FrameNeed,
    NightHours,
    Operator,
    Pointing,
    Readiness,
    Safety,
    StandingDue,
    TargetView,
    Unguided,
    World,
)

__all__ = [
    "CIRCLE", "CLOCK_JUMPED", "DEFAULT_DURATIONS_S", "LINK_FAULTS", "NOT_COLD", "NOT_CONNECTED",
    "NOT_TRACKING", "NO_LIGHT", "RESTART", "SILENT", "UNPLUGGED", "WRONG_HOUR_ANGLE",
    "WRONG_SIDE", "CalibrationNeed", "Decision", "FaultView", "FocusView", "Forecast",
    "FrameNeed", "NightHours", "Operator", "Pointing", "Readiness", "Safety", "StandingDue",
    "TargetView", "Unguided", "World", "decide", "forecast", "preempt",
]  # fmt: skip
