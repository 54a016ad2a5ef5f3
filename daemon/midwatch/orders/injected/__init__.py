"""Faults that are asked for: their names, and when each begins and ends."""

from midwatch.orders.injected.fault_kinds import FAULT_KINDS, STEP_S, fault_roles, shown_by
from midwatch.orders.injected.fault_orders import (
    FaultOrder,
    FaultTextError,
    Scenario,
    ScheduledFault,
    draw_faults,
    parse_fault,
    schedule,
)

__all__ = [
    "FAULT_KINDS", "STEP_S", "FaultOrder", "FaultTextError", "Scenario", "ScheduledFault",
    "draw_faults", "fault_roles", "parse_fault", "schedule", "shown_by",
]  # fmt: skip
