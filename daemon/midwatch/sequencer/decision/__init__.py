"""What to do next, and why: pure. No clock, no bus, no asyncio in this room."""

from midwatch.sequencer.decision.cases import Case, Decision, blocked, hold, why
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
from midwatch.sequencer.decision.offers import Board
from midwatch.sequencer.decision.phases import over
from midwatch.sequencer.decision.rules import Decide, choose, decide, preempt
from midwatch.sequencer.decision.world import (
    DEFAULT_DURATIONS_S,
    CalibrationNeed,
    FaultView,
    FocusView,
    FrameNeed,
    MeridianRules,
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
    "WRONG_SIDE", "Board", "CalibrationNeed", "Case", "Decide", "Decision", "FaultView",
    "FocusView", "Forecast", "FrameNeed", "MeridianRules", "NightHours", "Operator", "Pointing",
    "Readiness", "Safety", "StandingDue", "TargetView", "Unguided", "World", "blocked", "choose",
    "decide", "forecast", "hold", "over", "preempt", "why",
]  # fmt: skip
