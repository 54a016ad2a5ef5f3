"""What to do next, and why: pure. No clock, no bus, no asyncio in this room.

``decide(world) -> Decision`` never waits, never raises and reads no clock. It asks these rules in
order, and the first that answers decides:

1. safety: the weather is unsafe and something is open or unparked: secure the rig; or the roof
   does not say that it is open over a mount that is not parked: park;
2. limits: the mount comes to a limit: halt;
3. faults: a remedy is due;
4. phase: connect, wait for dusk, prepare, open; or the night is over: calibrate, close, finish;
5. standing orders that are due;
6. the next frame of the best target, and what must come before it: slew, flip, centre, focus,
   guide, dither;
7. wait, until something changes or a time is reached.

What was considered and not taken goes into ``ruled_out`` with its reason; ``midwatch why`` shows
it.

`World` is an immutable snapshot: hours of the night, states of the devices, what the journal says
of the frames, open faults, guards that have tripped. If a rule needs to know something new, put
it into `World` as plain data and fill it in ``sequencer/facts/worldview.py``; a rule never asks
for it.

``rules`` holds the order above and ``preempt``, ``phases`` the rules of evening and morning,
``offers`` what each target offers now, ``refocus`` the moment for a focus run that costs least,
``night_forecast`` the same choices run ahead for the plan, ``fault_names`` the names that several
rooms share.
"""

from midwatch.sequencer.decision.cases import Case, Decision, blocked, hold, why
from midwatch.sequencer.decision.duty_args import (
    CORE_DUTIES,
    CalibrateArgs,
    CentreArgs,
    CloseArgs,
    ConnectArgs,
    CoreArgs,
    DitherArgs,
    DutyArgs,
    EndNightArgs,
    EngineWord,
    ExposeArgs,
    FinishArgs,
    FlipArgs,
    FocusArgs,
    GuideArgs,
    HaltArgs,
    LessCoolingArgs,
    NamedArgs,
    NoArgs,
    OpenArgs,
    PowerCycleArgs,
    PrepareArgs,
    RecalibrateArgs,
    ReconnectArgs,
    RestartDriverArgs,
    RestTargetArgs,
    SecureArgs,
    SlewArgs,
    WaitArgs,
    args_needed,
)
from midwatch.sequencer.decision.fault_names import (
    CIRCLE,
    CLOCK_JUMPED,
    CLOUDS,
    HIDDEN,
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
    "CIRCLE", "CLOCK_JUMPED", "CLOUDS", "CORE_DUTIES", "DEFAULT_DURATIONS_S", "HIDDEN",
    "LINK_FAULTS", "NOT_COLD", "NOT_CONNECTED", "NOT_TRACKING", "NO_LIGHT", "RESTART", "SILENT",
    "UNPLUGGED", "WRONG_HOUR_ANGLE", "WRONG_SIDE", "Board", "CalibrateArgs", "CalibrationNeed",
    "Case", "CentreArgs", "CloseArgs", "ConnectArgs", "CoreArgs", "Decide", "Decision",
    "DitherArgs", "DutyArgs", "EndNightArgs", "EngineWord", "ExposeArgs", "FaultView", "FinishArgs",
    "FlipArgs", "FocusArgs", "FocusView", "Forecast", "FrameNeed", "GuideArgs", "HaltArgs",
    "LessCoolingArgs", "NamedArgs", "NightHours", "NoArgs", "OpenArgs", "Operator", "Pointing",
    "PowerCycleArgs", "PrepareArgs", "Readiness", "RecalibrateArgs", "ReconnectArgs",
    "RestTargetArgs", "RestartDriverArgs", "Safety", "SecureArgs", "SlewArgs", "StandingDue",
    "TargetView", "Unguided", "WaitArgs", "World", "args_needed", "blocked", "choose", "decide",
    "forecast", "hold", "over", "preempt", "why",
]  # fmt: skip
