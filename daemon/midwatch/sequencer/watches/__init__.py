"""What is watched while duties run, and the faults that are opened and closed for it."""

from midwatch.sequencer.watches.all_watches import Watches
from midwatch.sequencer.watches.cooling import set_point_c
from midwatch.sequencer.watches.fault_desk import FaultDesk, said
from midwatch.sequencer.watches.remedies_alongside import Remedying

__all__ = ["FaultDesk", "Remedying", "Watches", "said", "set_point_c"]
