"""The promises of a night, checked against journal, files and limits."""

from midwatch.journal.promises.alignment_checks import check_alignment
from midwatch.journal.promises.checks import check_promises
from midwatch.journal.promises.inventory import Inventory, checksum_lines, take_inventory
from midwatch.journal.promises.night_context import NightContext
from midwatch.journal.promises.promise import Promise
from midwatch.journal.promises.task_checks import DAEMON, TASK_DIED

__all__ = [
    "DAEMON", "TASK_DIED", "Inventory", "NightContext", "Promise", "check_alignment",
    "check_promises", "checksum_lines", "take_inventory",
]  # fmt: skip
