"""Polar alignment: where to point, what to measure, and the rules that it keeps.

An alignment is another course of the night's engine. ``alignment_rules`` holds its pure
`decide_alignment`, built with `choose`, so that safety, shelter, limits and remedies come before
its own steps; ``alignment_duty`` is its one duty besides ``connect``, ``open``, ``secure`` and
``close``. A third course gets the same four rules first. ``runtime/night``
assembles the engine of either, ``runtime/polar`` sets the stage.
"""

from midwatch.alignment.aligner import Publish
from midwatch.alignment.alignment_duty import SUN_BELOW_DEG, Align, AlignOptions, choose_fields
from midwatch.alignment.alignment_plan import AlignmentField
from midwatch.alignment.alignment_result import Alignment, conclude
from midwatch.alignment.alignment_rules import ALIGN, decide_alignment
from midwatch.alignment.alignment_words import Narrator

__all__ = [
    "ALIGN",
    "SUN_BELOW_DEG",
    "Align",
    "AlignOptions",
    "Alignment",
    "AlignmentField",
    "Narrator",
    "Publish",
    "choose_fields",
    "conclude",
    "decide_alignment",
]  # fmt: skip
