"""Polar alignment: where to point, what to measure, setting up and putting away."""

from midwatch.alignment.aligner import Aligner, AlignmentTools, Guided, guidance_line
from midwatch.alignment.alignment_plan import Pointing, plan_drift, plan_frames
from midwatch.alignment.setting_up import make_ready, put_away

__all__ = [
    "Aligner", "AlignmentTools", "Guided", "Pointing", "guidance_line", "make_ready",
    "plan_drift", "plan_frames", "put_away",
]  # fmt: skip
