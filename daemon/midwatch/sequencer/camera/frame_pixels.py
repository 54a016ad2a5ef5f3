"""What is done with the pixels of a frame, by its reference: fetched, measured, written, drawn.

These are plain functions that a measuring process runs, so that the daemon never holds the pixels
of a frame and its event loop never waits for them. The frame that was looked at last is kept at
hand in the process that looked at it: it is verified once, and written as it was verified.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from midwatch.devices.client import Pixels, fetch
from midwatch.devices.contract.kinds import FrameRef
from midwatch.imaging import Frame, pair_noise
from midwatch.imaging.files import Card, FileFacts, preview_png, read_fits, write_fits
from midwatch.imaging.stars import StarMeasures, measure_stars

__all__ = ["drawn", "level_and_spread", "measured", "pair_noise_of_files", "verified", "written"]

_at_hand: dict[tuple[str, str], Pixels] = {}


def verified(ref: FrameRef) -> None:
    """Fetch a frame from its spool and keep it at hand.

    Raises:
        FrameCorruptError: it is gone, or is not what its reference says.
    """
    _at_hand.clear()
    _at_hand[ref.where, ref.sha256] = fetch(ref)


def measured(ref: FrameRef, scale_arcsec: float) -> StarMeasures:
    """Fetch a frame and measure its stars.

    Raises:
        FrameCorruptError: it is gone, or is not what its reference says.
    """
    verified(ref)
    return measure_stars(_frame(ref), scale_arcsec=scale_arcsec)


def level_and_spread(ref: FrameRef) -> tuple[float, float]:
    """Return what little can be said of a frame that could not be measured."""
    pixels = _pixels(ref)
    return float(np.median(pixels)), float(np.std(pixels))


def written(path: Path, ref: FrameRef, cards: Sequence[Card], durable: bool) -> FileFacts:
    """Write a frame to a FITS file, whole or not at all; see `write_fits`."""
    return write_fits(path, _pixels(ref), cards, durable=durable)


def drawn(path: Path, ref: FrameRef) -> None:
    """Write a small stretched picture of a frame as a PNG file."""
    frame = _frame(ref)
    path.write_bytes(preview_png(_top_first(frame) if ref.first_row == "bottom" else frame))


def _top_first(frame: Frame) -> Frame:
    """Return a frame with its rows the other way round; an odd last one is left out."""
    rows = frame.data.shape[0] // 2 * 2 or frame.data.shape[0]
    bayer = frame.bayer and frame.bayer[2:] + frame.bayer[:2]
    return replace(frame, data=frame.data[:rows][::-1], bayer=bayer)


def pair_noise_of_files(paths: tuple[Path, Path]) -> float:
    """Return the noise of one of two alike frames that were filed; see `pair_noise`."""
    one, other = paths
    return pair_noise(read_fits(one).data, read_fits(other).data)


def _frame(ref: FrameRef) -> Frame:
    return Frame(_pixels(ref), bayer=ref.bayer, saturation_adu=float(ref.saturation_adu))


def _pixels(ref: FrameRef) -> Pixels:
    """Return the pixels at hand, or fetch them again in a process that has not looked at them."""
    if (ref.where, ref.sha256) not in _at_hand:
        verified(ref)
    return _at_hand[ref.where, ref.sha256]
