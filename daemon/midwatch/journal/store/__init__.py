"""The journal on disk: append-only, hash-chained, repaired when it is damaged."""

from midwatch.journal.store.journal import Event, Journal, digest_of_events, facts_of, read_events

__all__ = ["Event", "Journal", "digest_of_events", "facts_of", "read_events"]
