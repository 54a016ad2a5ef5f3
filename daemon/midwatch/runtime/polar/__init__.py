"""Puts a polar alignment together, rehearsed or for real."""

from midwatch.runtime.polar.polar_alignment import (
    AtTheKnobs,
    Rehearsal,
    fields_for,
    rehearse_alignment,
    run_alignment,
)

__all__ = ["AtTheKnobs", "Rehearsal", "fields_for", "rehearse_alignment", "run_alignment"]
