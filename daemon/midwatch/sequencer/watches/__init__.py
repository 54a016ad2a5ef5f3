"""What is watched while duties run, and the faults that are opened and closed for it.

``fault_desk`` writes faults into the journal as duties fail and devices come and go.
``all_watches`` looks at everything once a minute: ``time_watch`` compares clock, site and mount,
two of three that agree show which one is wrong; ``cooling`` the sensor with its set point;
``light_watch`` the noise of a light frame with that of others, since one without sky noise saw
nothing; ``hidden_watch`` journals which targets trees seem to hide. ``track_watch`` sees at once
when a mount stops without an order. A sensor that is merely warm holds nothing up once it is dark:
frames are taken, and darks as warm as they were. ``remedies_alongside`` tries the remedies of
devices without which the night goes on.
"""

from midwatch.sequencer.watches.all_watches import Watches
from midwatch.sequencer.watches.cooling import set_point_c
from midwatch.sequencer.watches.fault_desk import FaultDesk, said
from midwatch.sequencer.watches.remedies_alongside import Remedying
from midwatch.sequencer.watches.task_watch import TaskWatch

__all__ = ["FaultDesk", "Remedying", "TaskWatch", "Watches", "said", "set_point_c"]
