"""From journal, devices and plan to the world that a decision is made from.

``worldview`` builds the world and is the only way in for facts. ``safety`` judges the weather on
levels: missing or stale data are unsafe. ``lookout`` says what a lookout is, ``guards`` turns its
level into tripped or clear, ``lookout_guards`` keeps those of all standing orders.
``rig_history`` says what the journal knows of where the rig was brought. ``focus_state`` says how
far focus has gone since it was last put right.

``calibration_sets`` says which calibration frames the lights ask for: by setting, filter,
exposure, and by what the camera said of the sensor's temperature for each light.

While guiding cannot be had, ``unguided`` chooses the exposure from the elongation of the latest
unguided frames, or before them from what the guider said of the mount. It cuts ordered exposures
into whole parts, and what counts is added up by integration. ``jammed_wheel`` does the same for a
filter wheel that does not turn: what can be had through the filter in the beam goes first.

``hidden_sky`` says which targets near the horizon trees seem to hide, and until when others come
first: by frames and centrings without stars, unless a target higher up was as dark, or a sensor
saw clouds. ``dark_frames`` says which frames have not even seen a sky.
"""

from midwatch.sequencer.facts.calibration_sets import calibration_needs
from midwatch.sequencer.facts.dark_frames import dark_message, latest_lights
from midwatch.sequencer.facts.focus_state import FocusWatch, focus_scale
from midwatch.sequencer.facts.hidden_sky import NEAR_HORIZON_DEG, dark_elsewhere, hidden_now, is_low
from midwatch.sequencer.facts.lookout import Lookout, Reading, View
from midwatch.sequencer.facts.lookout_guards import LookoutGuards, with_rig_defaults
from midwatch.sequencer.facts.rig_history import RigHistory
from midwatch.sequencer.facts.safety import SafetyWatch
from midwatch.sequencer.facts.worldview import LimitForecast, WorldView, weather_age_s

__all__ = [
    "NEAR_HORIZON_DEG", "FocusWatch", "LimitForecast", "Lookout", "LookoutGuards", "Reading",
    "RigHistory", "SafetyWatch", "View", "WorldView", "calibration_needs", "dark_elsewhere",
    "dark_message", "focus_scale", "hidden_now", "is_low", "latest_lights", "weather_age_s",
    "with_rig_defaults",
]  # fmt: skip
