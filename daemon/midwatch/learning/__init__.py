"""What nights have taught: focus against temperature, the horizon seen, durations, exposures.

Focus: `focus_points` go in, `probe_history` is what bodies of many lags have felt of the air,
`lagged_fit` solves slope and lag together, `size_evidence` asks the lights in between,
`focus_proofs` says whether predictions came true, `focus_model` predicts, `focus_memory` hears the
journal.
"""

from midwatch.learning.durations import FRAME_OVERHEAD, LearnedDurations
from midwatch.learning.exposure_advice import (
    NOISE_RISE,
    OBJECT_BELOW_SKY_MAG,
    ExposureAdvice,
    SkyFacts,
    learn_sky,
)
from midwatch.learning.focus_memory import FocusMemory
from midwatch.learning.focus_model import FocusModel
from midwatch.learning.focus_points import FocusScale
from midwatch.learning.horizon_seen import SeenBin
from midwatch.learning.lessons import PROPOSAL_NAME, Lessons, draw_lessons, keep_proposal
from midwatch.learning.probe_history import ProbeHistory
from midwatch.learning.star_size_trend import SizeScale, size_ratios, stars_moved, trailing

__all__ = [
    "FRAME_OVERHEAD", "NOISE_RISE", "OBJECT_BELOW_SKY_MAG", "PROPOSAL_NAME", "ExposureAdvice",
    "FocusMemory", "FocusModel", "FocusScale", "LearnedDurations", "Lessons",
    "ProbeHistory", "SeenBin", "SizeScale", "SkyFacts", "draw_lessons", "keep_proposal",
    "learn_sky", "size_ratios", "stars_moved", "trailing",
]  # fmt: skip
