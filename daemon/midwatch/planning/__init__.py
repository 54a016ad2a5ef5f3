"""What the night allows."""

from midwatch.planning.plan import (
    NightPlan,
    NoDarknessError,
    NothingToImageError,
    TargetPlan,
    plan_night,
    require_a_target,
)

__all__ = [
    "NightPlan",
    "NoDarknessError",
    "NothingToImageError",
    "TargetPlan",
    "plan_night",
    "require_a_target",
]
