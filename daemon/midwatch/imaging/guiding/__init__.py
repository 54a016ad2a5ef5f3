"""Guiding: from pixels of the guide camera to pulses for the mount."""

from __future__ import annotations

from midwatch.imaging.guiding.calibration import Calibration, Steering
from midwatch.imaging.guiding.calibrator import Calibrator, Done, Failed, PulseStep
from midwatch.imaging.guiding.control import AxisController, Correction
from midwatch.imaging.guiding.estimator import Estimate, MotionEstimator
from midwatch.imaging.guiding.hotpixels import HotPixelMap
from midwatch.imaging.guiding.loop import GuideLoop
from midwatch.imaging.guiding.outputs import GuideEvent, LoopOutput, LoopPhase
from midwatch.imaging.guiding.settings import SIDEREAL_ARCSEC_S, GuideSettings, Pointing
from midwatch.imaging.guiding.settle import SettleOutcome, SettleRule, SettleWatch
from midwatch.imaging.guiding.stars import GuideField, find_guide_stars
from midwatch.imaging.guiding.statistics import GuideStatistics
from midwatch.imaging.guiding.steersman import GuidePulse, Memory, Steersman
from midwatch.imaging.guiding.tracker import Shift, Tracker

__all__ = [
    "SIDEREAL_ARCSEC_S",
    "AxisController",
    "Calibration",
    "Calibrator",
    "Correction",
    "Done",
    "Estimate",
    "Failed",
    "GuideEvent",
    "GuideField",
    "GuideLoop",
    "GuidePulse",
    "GuideSettings",
    "GuideStatistics",
    "HotPixelMap",
    "LoopOutput",
    "LoopPhase",
    "Memory",
    "MotionEstimator",
    "Pointing",
    "PulseStep",
    "SettleOutcome",
    "SettleRule",
    "SettleWatch",
    "Shift",
    "Steering",
    "Steersman",
    "Tracker",
    "find_guide_stars",
]
