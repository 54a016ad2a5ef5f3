"""A real frame taker over a spool on disk, for frames that were already read out."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from midwatch.clock import WallClock
from midwatch.devices.client import FolderSpool, MemorySpool
from midwatch.devices.contract import FrameKind
from midwatch.devices.contract.kinds import FrameRef
from midwatch.imaging import Measurer
from midwatch.imaging.files import FrameHeader
from midwatch.sequencer.camera import FrameAnalysis, FrameTaker
from midwatch.sequencer.camera import frame_pixels as negatives

BEGAN = datetime(2027, 3, 10, 21, 0, tzinfo=UTC)


def kept_frame(
    spool: FolderSpool | MemorySpool,
    pixels: NDArray[np.uint16],
    frame: FrameKind = "light",
    name: str = "e-1",
) -> FrameRef:
    height, width = pixels.shape
    return spool.keep(
        pixels,
        FrameRef(
            sha256="0" * 64, where="", width_px=width, height_px=height, exposure_id=name,
            frame=frame, began_at=BEGAN, exposure_s=60.0, gain=100, offset=50, binning=1,
            sensor_c=-10.0, setpoint_c=-10.0, pixel_um=3.76, electrons_per_adu=0.8,
            saturation_adu=65535,
        ),
    )  # fmt: skip


def darkroom_of(measurer: Measurer, folder: Path) -> tuple[FrameTaker, FrameAnalysis]:
    analysis = FrameAnalysis(measurer, 1.0)
    # Nothing is exposed here, so that no camera is asked for anything.
    camera = cast("Any", SimpleNamespace(about=None))
    room = FrameTaker(
        camera, WallClock(), analysis, measurer, folder, durable=True, identify=lambda: "never"
    )
    return room, analysis


def some_header(exposure_s: float = 60.0) -> FrameHeader:
    return FrameHeader(image_type="LIGHT", start=BEGAN, exposure_s=exposure_s, version="0")


def held() -> list[tuple[str, str]]:
    """What the process that is asked has at hand, after its number; it can be sent to another."""
    return [(str(os.getpid()), ""), *negatives._at_hand]
