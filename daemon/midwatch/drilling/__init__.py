"""Drills: many rehearsals under seeded faults, each held against every promise."""

from midwatch.drilling.crew import Briefing, Crew
from midwatch.drilling.replay import Replay
from midwatch.drilling.tally import DrillFacts, DrillSummary, NightResult, drill_schema, sum_up
from midwatch.drilling.trial import BOUND, NOT_ENDED, TrialResult, draw_trial
from midwatch.drilling.whole_drill import Drill, Drilled

__all__ = [
    "BOUND", "NOT_ENDED", "Briefing", "Crew", "Drill", "DrillFacts", "DrillSummary", "Drilled",
    "NightResult", "Replay", "TrialResult", "draw_trial", "drill_schema", "sum_up",
]  # fmt: skip
