"""Guiding: from pixels of the guide camera to pulses for the mount."""

from midwatch.imaging.guiding.guide_loop import GuideLoop
from midwatch.imaging.guiding.guide_settings import GuidePointing, GuideSettings
from midwatch.imaging.guiding.outputs import LoopOutput
from midwatch.imaging.guiding.settle import SettleRule

__all__ = ["GuideLoop", "GuidePointing", "GuideSettings", "LoopOutput", "SettleRule"]
