"""Plate solving: near a hint, over wide areas, at unknown scale, blind.

``near_hint`` does one search; ``wide_search`` lays searches over an area or a range of scales;
``methods`` puts them in order, each more costly and less particular than the one before: ``near``
(a degree), ``wide`` (up to what seconds allow), ``scale`` (0.4 to 2.6 times the expected one),
``blind`` (an engine that may be installed, whose answer our own solver proves). ``index_files``
reads deeper stars from installed index files.
"""

from midwatch.imaging.solving.blind import blind_trouble
from midwatch.imaging.solving.methods import SolveMethod, solve_by
from midwatch.imaging.solving.near_hint import FieldHint, SolveFailure
from midwatch.imaging.solving.wide_search import FrameStars

__all__ = ["FieldHint", "FrameStars", "SolveFailure", "SolveMethod", "blind_trouble", "solve_by"]
