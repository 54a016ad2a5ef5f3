"""What can happen in a night: one frozen model for each kind of journal event.

To add a kind of event: write the model, append it where it happens, fold it where it matters. A
new field needs a default, since old journals lack it. Times are POSIX seconds UTC, units are in
the names.
"""

from midwatch.journal.facts.camera_facts import CalibrationSkipped, SetPointChosen
from midwatch.journal.facts.fact import Fact, Grade, Outcome
from midwatch.journal.facts.frame_facts import (
    FrameBegun,
    FrameFiled,
    FrameGraded,
    FrameLost,
    FrameRead,
    FrameRegraded,
    SensorMeasured,
)
from midwatch.journal.facts.night_facts import (
    FACTS,
    Activity,
    Cause,
    Centred,
    DecisionMade,
    Dithered,
    DutyBegan,
    DutyEnded,
    FaultBegan,
    FaultEnded,
    Flipped,
    FocusFollowed,
    FocusRun,
    GuidingStarted,
    LimitHeld,
    LookoutChanged,
    MotionEnded,
    NightBegan,
    NightEnded,
    Notice,
    OperatorSpoke,
    RemedyTried,
    Sample,
    TargetPlanned,
    TiesShuffled,
    WeatherTurned,
)
from midwatch.journal.facts.outside_facts import (
    ClockAdopted,
    FrameSlot,
    HostAccount,
    LeaseUnheard,
    OrdersChanged,
    Silence,
)

__all__ = [
    "FACTS", "Activity", "CalibrationSkipped", "Cause", "Centred", "ClockAdopted", "DecisionMade",
    "Dithered", "DutyBegan", "DutyEnded", "Fact", "FaultBegan", "FaultEnded", "Flipped",
    "FocusFollowed", "FocusRun", "FrameBegun", "FrameFiled", "FrameGraded", "FrameLost",
    "FrameRead", "FrameRegraded", "FrameSlot", "Grade", "GuidingStarted", "HostAccount",
    "LeaseUnheard", "LimitHeld", "LookoutChanged", "MotionEnded", "NightBegan", "NightEnded",
    "Notice", "OperatorSpoke", "OrdersChanged", "Outcome", "RemedyTried", "Sample",
    "SensorMeasured", "SetPointChosen", "Silence", "TargetPlanned", "TiesShuffled",
    "WeatherTurned",
]  # fmt: skip
