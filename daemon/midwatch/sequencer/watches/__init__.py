"""What is watched while duties run, and the faults that are opened and closed for it."""

from midwatch.sequencer.watches.all_watches import Watches
from midwatch.sequencer.watches.cooling import set_point_c
from midwatch.sequencer.watches.fault_desk import FaultDesk, said
from midwatch.sequencer.watches.remedies_alongside import Remedying
from midwatch.sequencer.watches.task_watch import TaskWatch

__all__ = ["FaultDesk", "Remedying", "TaskWatch", "Watches", "said", "set_point_c"]
