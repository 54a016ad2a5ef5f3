"""What perfect knowledge could have had of a night: the clairvoyant bound.

``foresight`` defines it and measures it at the end of a rehearsed night, whose faults are known;
it is ``yield`` in ``night.json``. A real night knows none of it. ``timetable`` finds the best
schedule by dynamic programming over the seconds of the night, ``lost_light`` says when faults
leave no light, ``gaps`` takes the shortest times between frames from the journal.

The bound must never be below what was had: a drilled night that beats it counts as broken. So
when a fault gets a new effect, err in ``lost_light`` on the side of light.
"""

from midwatch.bound.foresight import Foresight
from midwatch.bound.gaps import Gaps, gaps_of

__all__ = ["Foresight", "Gaps", "gaps_of"]
