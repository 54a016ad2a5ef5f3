"""Plate solving: near a hint, over wide areas, at unknown scale, blind."""

from midwatch.imaging.solving.blind import blind_trouble
from midwatch.imaging.solving.methods import SolveMethod, solve_by
from midwatch.imaging.solving.near_hint import FieldHint, SolveFailure
from midwatch.imaging.solving.wide_search import FrameStars

__all__ = ["FieldHint", "FrameStars", "SolveFailure", "SolveMethod", "blind_trouble", "solve_by"]
