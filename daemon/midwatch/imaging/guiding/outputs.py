"""What the guide loop says after a frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from midwatch.imaging.guiding.statistics import GuideStatistics
from midwatch.imaging.guiding.steering import GuidePulse

__all__ = ["GuideEvent", "LoopOutput", "LoopPhase"]

LoopPhase = Literal["idle", "calibrating", "settling", "guiding", "lost"]


@dataclass(frozen=True)
class GuideEvent:
    """Something to report.

    Attributes:
        name: One of "stars_chosen", "no_stars", "calibration_begun", "calibration_check",
            "calibrated", "calibration_failed", "calibration_reused", "settled",
            "settle_timed_out", "stars_lost", "stars_found", "star_replaced", "period_found",
            "dec_one_way".
        text: One sentence with values and units.
    """

    name: str
    text: str


@dataclass(frozen=True)
class LoopOutput:
    """What to do after a frame.

    Attributes:
        pulses: To be performed, one an axis at most, before the next exposure begins. They may
            run at once.
        phase: Where the loop is.
        error_arcsec: Distance of the stars from their target as measured in this frame; None
            without a measurement.
        stats: Figures over the settings' window.
        events: What happened, oldest first.
    """

    pulses: tuple[GuidePulse, ...]
    phase: LoopPhase
    error_arcsec: float | None
    stats: GuideStatistics
    events: tuple[GuideEvent, ...] = ()
