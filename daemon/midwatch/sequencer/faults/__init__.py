"""Faults as the journal shows them: their ladders of remedies, and what they hold up."""

from midwatch.sequencer.faults.fault_views import (
    contrary_until_s,
    is_of_link,
    merely_warm,
    needs_of,
    open_fault,
    retry_name,
    target_rests_until_s,
    view_faults,
)
from midwatch.sequencer.faults.links import BY_ITSELF, keeps_dying, restarts_of, trouble_of
from midwatch.sequencer.faults.remedies_available import Means

__all__ = [
    "BY_ITSELF", "Means", "contrary_until_s", "is_of_link", "keeps_dying", "merely_warm",
    "needs_of", "open_fault", "restarts_of", "retry_name", "target_rests_until_s", "trouble_of",
    "view_faults",
]  # fmt: skip
