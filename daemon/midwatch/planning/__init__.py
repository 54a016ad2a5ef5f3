"""What the night allows."""

from midwatch.planning.night_plan import (
    NightPlan,
    NoDarknessError,
    TargetPlan,
    plan_night,
    require_a_target,
)

__all__ = ["NightPlan", "NoDarknessError", "TargetPlan", "plan_night", "require_a_target"]
