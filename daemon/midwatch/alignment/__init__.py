"""Polar alignment: where to point, what to measure, setting up and putting away."""

from midwatch.alignment.aligner import Publish
from midwatch.alignment.alignment_duty import SUN_BELOW_DEG, Align, AlignOptions, choose_fields
from midwatch.alignment.alignment_plan import Pointing
from midwatch.alignment.alignment_result import Alignment, conclude
from midwatch.alignment.alignment_rules import ALIGN, decide_alignment
from midwatch.alignment.alignment_words import Narrator

__all__ = [
    "ALIGN", "SUN_BELOW_DEG", "Align", "AlignOptions", "Alignment", "Narrator", "Pointing",
    "Publish", "choose_fields", "conclude", "decide_alignment",
]  # fmt: skip
