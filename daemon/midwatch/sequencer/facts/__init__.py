"""From journal, devices and plan to the world that a decision is made from."""

from midwatch.sequencer.facts.focus_state import FocusWatch, focus_scale
from midwatch.sequencer.facts.lookout import Lookout, Reading, View
from midwatch.sequencer.facts.lookout_guards import LookoutDesk, with_rig_defaults
from midwatch.sequencer.facts.rig_history import Aim
from midwatch.sequencer.facts.safety import SafetyWatch
from midwatch.sequencer.facts.worldview import LimitForecast, WorldView, weather_age_s

__all__ = [
    "Aim", "FocusWatch", "LimitForecast", "Lookout", "LookoutDesk", "Reading", "SafetyWatch",
    "View", "WorldView", "focus_scale", "weather_age_s", "with_rig_defaults",
]  # fmt: skip
