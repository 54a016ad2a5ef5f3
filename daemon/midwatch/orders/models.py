"""What the user writes: the site, the rig, and the night orders.

Angles are degrees, coordinates ICRS (J2000), times local to the site where they have no zone.
Every field has its unit in its name. Unknown keys are errors.
"""

from midwatch.orders.declared import Declared, Name, Percent
from midwatch.orders.grading import GradingSettings
from midwatch.orders.mount import MotionLimits, Mount
from midwatch.orders.night import CalibrationOrder, FrameOrder, NightOrders, StandingOrder, Target
from midwatch.orders.page import Page
from midwatch.orders.rig import (
    Bus,
    CameraSettings,
    CentringSettings,
    DeviceEntry,
    Devices,
    FocusSettings,
    GuidingSettings,
    Optics,
    Rig,
)
from midwatch.orders.site import SafetyLimits, Site

__all__ = [
    "Bus",
    "CalibrationOrder",
    "CameraSettings",
    "CentringSettings",
    "Declared",
    "DeviceEntry",
    "Devices",
    "FocusSettings",
    "FrameOrder",
    "GradingSettings",
    "GuidingSettings",
    "MotionLimits",
    "Mount",
    "Name",
    "NightOrders",
    "Optics",
    "Page",
    "Percent",
    "Rig",
    "SafetyLimits",
    "Site",
    "StandingOrder",
    "Target",
]
