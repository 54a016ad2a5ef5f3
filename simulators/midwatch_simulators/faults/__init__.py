"""Faults that simulated devices show on request.

``orders/injected/fault_kinds.py`` of the daemon names every fault. Those of devices reach a
simulated device as its setting ``faults`` (names with POSIX seconds); ``troubles`` says when each
begins and ends. To add one: name it, add the name to ``shows`` of the class that shows it, and
let the physics ask ``self.troubles.active(name)``. What happens once is done in ``trouble(name,
began)``. A fault changes what is, or what the device says, never the test that looks for it;
names that end in ``-unplugged`` or ``-power-lost`` take the link away by themselves. Spoilt
frames go through ``spoilt_frames``: the spool stays honest, the reference promises other bytes.
"""

from midwatch_simulators.faults.spoilt_frames import SpoiltFrames
from midwatch_simulators.faults.troubles import Faulty, Troubles

__all__ = ["Faulty", "SpoiltFrames", "Troubles"]
