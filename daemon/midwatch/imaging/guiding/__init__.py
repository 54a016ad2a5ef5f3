"""Guiding: from pixels of the guide camera to pulses for the mount."""

from __future__ import annotations

from midwatch.imaging.guiding.loop import GuideEvent, GuideLoop, GuidePulse, LoopOutput, LoopPhase
from midwatch.imaging.guiding.settings import GuideSettings, Pointing
from midwatch.imaging.guiding.settle import SettleOutcome, SettleRule, SettleWatch
from midwatch.imaging.guiding.statistics import GuideStatistics

__all__ = [
    "GuideEvent",
    "GuideLoop",
    "GuidePulse",
    "GuideSettings",
    "GuideStatistics",
    "LoopOutput",
    "LoopPhase",
    "Pointing",
    "SettleOutcome",
    "SettleRule",
    "SettleWatch",
]
