"""Real nights: MQTT, a process for each device, the machine they run on.

A daemon in trouble leaves by an error, and ``device_processes`` then asks the device processes to
end (SIGTERM): each makes its device safe first, and what takes longer than five minutes is left
behind alive. One process takes over from another with SIGUSR1, which leaves the device as it is:
so it is when the daemon starts after a crash, and when a driver is started again. A daemon that
starts after a crash goes on under the lease of its former life, whose name only the journal
knows.

What is said to be stored is on the disk: content synced, renamed, the folder synced, and a new
folder synced in its parent (``durable``). The journal is looked at before it is opened: what does
not verify is set aside (``journal/store/damage.py``), and so is a copy of a write-ahead log with
a torn end (``journal/store/write_ahead.py``), which SQLite would cut off without a word.
"""

from midwatch.runtime.real.declared_check import declared_findings, drivers_made
from midwatch.runtime.real.device_processes import DeviceProcesses
from midwatch.runtime.real.machine_check import clock_findings, disk_findings
from midwatch.runtime.real.real_night import run
from midwatch.runtime.real.rig_check import rig_fitness
from midwatch.runtime.real.run_options import RunOptions

__all__ = [
    "DeviceProcesses", "RunOptions", "clock_findings", "declared_findings", "disk_findings",
    "drivers_made", "rig_fitness", "run",
]  # fmt: skip
