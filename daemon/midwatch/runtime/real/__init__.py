"""Real nights: MQTT, a process for each device, the machine they run on."""

from midwatch.runtime.real.device_processes import DeviceProcesses
from midwatch.runtime.real.machine_check import clock_findings, disk_findings
from midwatch.runtime.real.real_night import run
from midwatch.runtime.real.rig_check import rig_fitness
from midwatch.runtime.real.run_options import RunOptions

__all__ = ["DeviceProcesses", "RunOptions", "clock_findings", "disk_findings", "rig_fitness", "run"]
