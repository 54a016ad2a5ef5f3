"""The journal of a night, the only source of truth, and what is folded from it.

Facts (``facts``) are appended to SQLite, in write-ahead mode and synced, and never changed:
triggers refuse it, and each event carries a digest over the one before (``store``). Everything
else is folded from them: `NightRecord`, what the sequencer knows, and `Ledger`, where the time
went (``record``), the promises (``promises``), and above this room what nights teach,
``night.json`` and the report. After a crash the record is folded again, and `decide` goes on.
"""
