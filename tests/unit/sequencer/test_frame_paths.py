"""Where frames are filed: what was rejected does not lie among what a stack is made of."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from midwatch.devices.client import MemorySpool
from midwatch.imaging import Frame
from midwatch.sequencer.camera import frame_path
from midwatch.sequencer.camera.frame_pixels import _top_first
from support.darkroom_bench import kept_frame


def test_rejected_lights_lie_apart() -> None:
    spool = MemorySpool("camera")
    ref = kept_frame(spool, np.zeros((4, 4), np.uint16))
    kept = frame_path("light", "M 101", "L", ref, 3)
    rejected = frame_path("light", "M 101", "L", ref, 4, rejected=True)
    spool.close()
    assert kept.parent == Path("frames/M-101")
    assert rejected.parent == Path("frames/M-101/rejected")
    assert rejected.name == "M-101_L_60s_20270310T210000Z_0004.fits"


def test_a_picture_whose_first_row_is_the_lowest_is_drawn_upright() -> None:
    data = np.arange(24, dtype=np.uint16).reshape(6, 4)
    upright = _top_first(Frame(data, bayer="RGGB"))
    assert upright.data[0].tolist() == data[5].tolist()
    # The colours go with their pixels.
    assert upright.bayer == "GBRG"
    assert _top_first(Frame(data[:5], bayer="RGGB")).data[0].tolist() == data[3].tolist()
