"""The promises of a night, checked against journal, files and limits."""

from midwatch.journal.promises.alignment_checks import check_alignment
from midwatch.journal.promises.checks import Promise, check_promises
from midwatch.journal.promises.inventory import Inventory, checksum_lines, take_inventory
from midwatch.journal.promises.night_context import NightContext

__all__ = [
    "Inventory", "NightContext", "Promise", "check_alignment", "check_promises", "checksum_lines",
    "take_inventory",
]  # fmt: skip
