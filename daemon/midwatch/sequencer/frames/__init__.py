"""Frames that count: from the shutter to the graded file in the ledger, exactly once."""

from midwatch.sequencer.frames.keeping import collect_waiting, file_what_waits, keep_frame

__all__ = ["collect_waiting", "file_what_waits", "keep_frame"]
