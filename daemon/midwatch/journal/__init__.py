"""The journal of a night and what is derived from it.

The names below are what deciding needs, and are quick to import. Promises, summary and report are
imported from their modules by those who close a night.
"""

from midwatch.journal.events import FACTS, Cause, Fact, Grade, Outcome
from midwatch.journal.learned import FRAME_OVERHEAD, LearnedDurations
from midwatch.journal.ledger import CAUSES, LABELS, Ledger, Span, account
from midwatch.journal.record import FaultRecord, FocusMoment, FrameRecord, NightRecord
from midwatch.journal.store import (
    Event,
    Journal,
    JournalInUseError,
    JournalWriteError,
    digest_of,
    digest_of_events,
    facts_of,
    read_events,
)

__all__ = [
    "CAUSES",
    "FACTS",
    "FRAME_OVERHEAD",
    "LABELS",
    "Cause",
    "Event",
    "Fact",
    "FaultRecord",
    "FocusMoment",
    "FrameRecord",
    "Grade",
    "Journal",
    "JournalInUseError",
    "JournalWriteError",
    "LearnedDurations",
    "Ledger",
    "NightRecord",
    "Outcome",
    "Span",
    "account",
    "digest_of",
    "digest_of_events",
    "facts_of",
    "read_events",
]
