"""The fields of site, rig and night orders, and the rules that their values keep."""

from midwatch.orders.models.angles import AngleError, parse_dec_deg, parse_ra_deg
from midwatch.orders.models.declared import Declared
from midwatch.orders.models.field_rules import COMPLAINT, HIGHEST_HORIZON_DEG, LOWEST_HORIZON_DEG
from midwatch.orders.models.grading_section import GradingSettings
from midwatch.orders.models.mount_section import MotionLimits, Mount, mount_geometry
from midwatch.orders.models.night_orders import (
    FrameOrder,
    NightOrders,
    StandingOrder,
    Target,
    UnguidedOrder,
)
from midwatch.orders.models.page_section import Page
from midwatch.orders.models.problems import (
    InputProblem,
    OrdersError,
    did_you_mean,
    field_name,
    nearest,
    shown,
)
from midwatch.orders.models.remedies_section import Ladder, RemedyStep, ladder_for
from midwatch.orders.models.renamed_words import RENAMED_FAULTS, RENAMED_KEYS
from midwatch.orders.models.rig_file import (
    Bus,
    CameraSettings,
    DeviceEntry,
    Devices,
    FocusSettings,
    Rig,
)
from midwatch.orders.models.site_file import SafetyLimits, Site

__all__ = [
    "COMPLAINT", "HIGHEST_HORIZON_DEG", "LOWEST_HORIZON_DEG", "RENAMED_FAULTS", "RENAMED_KEYS",
    "AngleError", "Bus", "CameraSettings", "Declared", "DeviceEntry", "Devices", "FocusSettings",
    "FrameOrder", "GradingSettings", "InputProblem", "Ladder", "MotionLimits", "Mount",
    "NightOrders", "OrdersError", "Page", "RemedyStep", "Rig", "SafetyLimits", "Site",
    "StandingOrder", "Target", "UnguidedOrder", "did_you_mean", "field_name", "ladder_for",
    "mount_geometry", "nearest", "parse_dec_deg", "parse_ra_deg", "shown",
]  # fmt: skip
