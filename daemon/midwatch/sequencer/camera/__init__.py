"""One frame: exposed, fetched, measured, solved, written."""

from midwatch.sequencer.camera.cooler_course import CoolerCourse, held_c
from midwatch.sequencer.camera.frame_measures import FrameAnalysis, FrameMeasures
from midwatch.sequencer.camera.frame_taker import (
    CameraSetting,
    FrameTaker,
    Shot,
    common_header,
    frame_path,
    plain_name,
)

__all__ = [
    "CameraSetting",
    "CoolerCourse",
    "FrameAnalysis",
    "FrameMeasures",
    "FrameTaker",
    "Shot",
    "common_header",
    "frame_path",
    "held_c",
    "plain_name",
]  # fmt: skip
