"""Where frames are filed: what was rejected does not lie among what a stack is made of."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midwatch.devices.client import MemorySpool
from midwatch.imaging import Frame, InlineMeasurer
from midwatch.sequencer.camera import frame_path
from midwatch.sequencer.camera.frame_pixels import _top_first
from support.frame_taker_bench import darkroom_of, kept_frame


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


def test_a_light_that_is_rejected_later_is_set_apart_and_found_by_the_journal(
    tmp_path: Path,
) -> None:
    room, _ = darkroom_of(InlineMeasurer(), tmp_path)
    kept = tmp_path / "frames/M-101/a.fits"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"pixels")
    apart = room.set_apart("frames/M-101/a.fits")
    assert apart == "frames/M-101/rejected/a.fits"
    # Until the journal has the new name both are there: whatever dies between, none is lost.
    assert kept.read_bytes() == (tmp_path / apart).read_bytes() == b"pixels"
    room.forget("frames/M-101/a.fits")
    assert not kept.exists()
    assert room.set_apart(apart) is None
    assert room.set_apart("frames/M-101/gone.fits") is None


@pytest.mark.parametrize("journaled", ["frames/M-101/a.fits", "frames/M-101/rejected/a.fits"])
def test_the_name_that_the_journal_does_not_give_goes_after_a_crash(
    tmp_path: Path, journaled: str
) -> None:
    room, _ = darkroom_of(InlineMeasurer(), tmp_path)
    kept = tmp_path / "frames/M-101/a.fits"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"pixels")
    room.set_apart("frames/M-101/a.fits")
    room.tidy({journaled})
    left = [path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*.fits")]
    assert left == [journaled]
