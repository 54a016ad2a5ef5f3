"""Files that people and running nights write for others: orders, faults, ``running.json``."""

from midwatch.runtime.files.faults_file import FAULTS_FILE, read_faults, run_faults, write_faults
from midwatch.runtime.files.load_night import (
    evening_of,
    faults_of,
    load_orders,
    load_rig_at_site,
    require_plugins,
)
from midwatch.runtime.files.running_file import (
    Running,
    announced,
    broker_of,
    find_running,
    rig_in_use,
    using_rig,
)

__all__ = [
    "FAULTS_FILE", "Running", "announced", "broker_of", "evening_of", "faults_of",
    "find_running", "load_orders", "load_rig_at_site", "read_faults", "require_plugins",
    "rig_in_use", "run_faults", "using_rig", "write_faults",
]  # fmt: skip
