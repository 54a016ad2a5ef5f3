"""Judging light frames: what a grader is, and the night's grades so far."""

from midwatch.sequencer.grading.gradebook import Graded, earlier_lights, judge, look_again
from midwatch.sequencer.grading.grader import Grader, LightFrame, Verdict

__all__ = ["Graded", "Grader", "LightFrame", "Verdict", "earlier_lights", "judge", "look_again"]
