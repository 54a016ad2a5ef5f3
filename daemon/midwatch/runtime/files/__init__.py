"""Files around nights: orders to read, data folders, what a running night leaves for others."""

from midwatch.runtime.files.earlier_rehearsal import make_room
from midwatch.runtime.files.faults_file import FAULTS_FILE, read_faults, run_faults, write_faults
from midwatch.runtime.files.kept_nights import JOURNAL_NAME, KeptNight, find_night
from midwatch.runtime.files.learned_facts import Learnings, learnings_of, sky_content, sky_text
from midwatch.runtime.files.load_night import (
    evening_of,
    faults_of,
    load_orders,
    load_rig_at_site,
    require_plugins,
)
from midwatch.runtime.files.running_file import Running, announced, broker_of, find_running
from midwatch.runtime.files.surroundings import Surroundings

__all__ = [
    "FAULTS_FILE", "JOURNAL_NAME", "KeptNight", "Learnings", "Running", "Surroundings",
    "announced", "broker_of", "evening_of", "faults_of", "find_night", "find_running",
    "learnings_of", "load_orders", "load_rig_at_site", "make_room", "read_faults",
    "require_plugins", "run_faults", "sky_content", "sky_text", "write_faults",
]  # fmt: skip
