"""What the user writes: models of site, rig and night orders, and how they are read."""

from midwatch.orders.angles import AngleError, parse_dec_deg, parse_ra_deg
from midwatch.orders.loading import (
    Night,
    ResolvedTarget,
    load_night,
    load_rig,
    load_scenario,
    load_site,
)
from midwatch.orders.models import (
    CalibrationOrder,
    DeviceEntry,
    FrameOrder,
    GradingSettings,
    MotionLimits,
    NightOrders,
    Rig,
    SafetyLimits,
    Site,
    StandingOrder,
    Target,
)
from midwatch.orders.problems import InputProblem, OrdersError
from midwatch.orders.schema import json_schema

__all__ = [
    "AngleError",
    "CalibrationOrder",
    "DeviceEntry",
    "FrameOrder",
    "GradingSettings",
    "InputProblem",
    "MotionLimits",
    "Night",
    "NightOrders",
    "OrdersError",
    "ResolvedTarget",
    "Rig",
    "SafetyLimits",
    "Site",
    "StandingOrder",
    "Target",
    "json_schema",
    "load_night",
    "load_rig",
    "load_scenario",
    "load_site",
    "parse_dec_deg",
    "parse_ra_deg",
]
