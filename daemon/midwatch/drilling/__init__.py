"""Drills: many rehearsals under seeded faults, each held against every promise.

``trial`` draws a night (its seed and faults from the drill's seed and the night's number) and
rehearses it, lean: no report, files on a disk in memory. ``crew`` keeps processes that run one
night after the other. A night that hangs uses up its processor time, the system ends its process,
and the crew counts it as broken. ``whole_drill`` is the order of things, ``shrink`` finds the
fewest and shortest faults that still break a promise, ``tally`` is the JSON, ``replay`` the
command that shows a night again.
"""

from midwatch.drilling.crew import Briefing, Crew
from midwatch.drilling.replay import Replay
from midwatch.drilling.tally import DrillFacts, DrillSummary, NightResult, drill_schema, sum_up
from midwatch.drilling.trial import BOUND, NOT_ENDED, TrialResult, draw_trial
from midwatch.drilling.whole_drill import Drill, Drilled

__all__ = [
    "BOUND", "NOT_ENDED", "Briefing", "Crew", "Drill", "DrillFacts", "DrillSummary", "Drilled",
    "NightResult", "Replay", "TrialResult", "draw_trial", "drill_schema", "sum_up",
]  # fmt: skip
