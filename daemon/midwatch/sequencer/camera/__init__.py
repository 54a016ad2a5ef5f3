"""One frame: exposed, fetched, measured, solved, written."""

from midwatch.sequencer.camera.cooler_course import CoolerCourse, held_c
from midwatch.sequencer.camera.darkroom import (
    CameraSetting,
    Darkroom,
    Shot,
    common_header,
    frame_path,
    plain_name,
)
from midwatch.sequencer.camera.frame_measures import FrameAnalysis, Sight

__all__ = [
    "CameraSetting", "CoolerCourse", "Darkroom", "FrameAnalysis", "Shot", "Sight", "common_header",
    "frame_path", "held_c", "plain_name",
]  # fmt: skip
