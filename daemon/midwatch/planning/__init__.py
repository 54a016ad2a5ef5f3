"""What the night allows."""

from midwatch.planning.plan import (
    NightPlan,
    NoDarknessError,
    TargetPlan,
    mount_limits,
    plan_night,
)

__all__ = ["NightPlan", "NoDarknessError", "TargetPlan", "mount_limits", "plan_night"]
