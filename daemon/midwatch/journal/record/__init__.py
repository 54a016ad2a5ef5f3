"""What the events of a night add up to: its frames, faults, focus runs, and its ledger."""

from midwatch.journal.record.counting import counted_s, lights_so_far, whole_frames
from midwatch.journal.record.ledger import ITSELF, LABELS, Ledger, Span, account
from midwatch.journal.record.night_record import NightRecord
from midwatch.journal.record.record_parts import FaultRecord, FocusMoment, FrameRecord

__all__ = [
    "ITSELF", "LABELS", "FaultRecord", "FocusMoment", "FrameRecord", "Ledger", "NightRecord",
    "Span", "account", "counted_s", "lights_so_far", "whole_frames",
]  # fmt: skip
