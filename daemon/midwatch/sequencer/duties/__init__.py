"""What a duty is, what it may use, and which plugins are installed."""

from midwatch.sequencer.duties.context import DutyContext
from midwatch.sequencer.duties.duty import Duty
from midwatch.sequencer.duties.duty_failure import DutyFailedError
from midwatch.sequencer.duties.motion import motion_ended, park, point, stop_guiding
from midwatch.sequencer.duties.notifier import Notifier
from midwatch.sequencer.duties.plugin_registry import PluginError, Registry, load_registry
from midwatch.sequencer.duties.supervisor import Supervisor

__all__ = [
    "Duty", "DutyContext", "DutyFailedError", "Notifier", "PluginError", "Registry", "Supervisor",
    "load_registry", "motion_ended", "park", "point", "stop_guiding",
]  # fmt: skip
