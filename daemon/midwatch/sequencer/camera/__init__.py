"""One frame: exposed, fetched, measured, solved, written."""

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
    "CameraSetting", "Darkroom", "FrameAnalysis", "Shot", "Sight", "common_header", "frame_path",
    "plain_name",
]  # fmt: skip
