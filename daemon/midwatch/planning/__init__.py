"""What the night allows."""

from midwatch.planning.plan import (
    NightPlan,
    NoDarknessError,
    TargetPlan,
    plan_night,
)

__all__ = ["NightPlan", "NoDarknessError", "TargetPlan", "plan_night"]
