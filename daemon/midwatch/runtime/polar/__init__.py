"""Puts a polar alignment together, rehearsed or for real."""

from midwatch.runtime.polar.polar_alignment import (
    Alignment,
    AlignOptions,
    fields_for,
    rehearse_alignment,
    run_alignment,
)

__all__ = ["AlignOptions", "Alignment", "fields_for", "rehearse_alignment", "run_alignment"]
