"""Trails of satellites and aircraft: straight lines of light across a frame.

The frame is averaged down to blocks, which lifts a trail of any width up to a block's above the
noise of single pixels; lines are then found by voting (the Hough transform in the normal form,
R. O. Duda and P. E. Hart 1972, Communications of the ACM 15, 11) and each is followed along its
length, where it must be nearly without gaps and stand out from what lies next to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Trail", "find_trails"]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Blocks along the longer side. More: faint trails fall apart into noise; fewer: the stars of a
# rich field touch.
_MOST_BLOCKS = 512
_ANGLES = 720
# Angles voted on at once. More: their pixels no longer fit the processor's cache.
_AT_ONCE = 8
_THRESHOLD_SIGMA = 2.5
# Of all blocks no more than this take part; in the Milky Way the brightest.
_MOST_SHARE = 0.04
# A trail is at least this share of the shorter side long, and this many blocks. Shorter: tracking
# errors and edge-on galaxies look like trails; longer: those that cut a corner are missed.
_SHORTEST_SHARE, _SHORTEST_BLOCKS = 0.2, 40
_LONGEST_GAP = 8
_FILLED, _CONTRAST = 0.6, 0.45
_FLANK = 5
_MOST_TRAILS, _MOST_FAILURES = 10, 4
# The spikes of a bright star fade away from it; a trail is as bright at its ends.
_FADED = 0.25
# A line this close to a row or column, and across the whole frame, is a defect of the sensor.
_ALONG_AXIS_DEG = 0.15


@dataclass(frozen=True)
class Trail:
    """A straight trail from one end to the other, in pixels of the frame; good to a block."""

    x0_px: float
    y0_px: float
    x1_px: float
    y1_px: float

    @property
    def length_px(self) -> float:
        """Length inside the frame."""
        return float(np.hypot(self.x1_px - self.x0_px, self.y1_px - self.y0_px))


def find_trails(image: NDArray[np.float32], factor: int = 1) -> tuple[Trail, ...]:
    """Find the trails of a frame, longest votes first.

    Args:
        image: Background-subtracted image, shape (H, W).
        factor: Frame pixels that one pixel of the image spans (2 for a mosaic's cells).

    Returns:
        At most ten trails. Frames too small to hold one, and frames of one value, give none.
    """
    step = max(1, -(-max(image.shape) // _MOST_BLOCKS))
    blocks = _block_means(image, step)
    shortest = max(_SHORTEST_SHARE * min(blocks.shape), float(_SHORTEST_BLOCKS))
    if np.hypot(*blocks.shape) < shortest or min(blocks.shape) < 2 * _FLANK:
        return ()
    bright = _bright(blocks)
    if np.count_nonzero(bright) < shortest * _FILLED:
        return ()
    trails: list[Trail] = []
    failures = 0
    # What was found is taken out for the next vote only: where trails cross, none has a gap.
    left = bright.copy()
    votes = _votes(left)
    while len(trails) < _MOST_TRAILS and failures < _MOST_FAILURES:
        angle, distance = np.unravel_index(int(votes.argmax()), votes.shape)
        if votes[angle, distance] < shortest * _FILLED:
            break
        line = _along(bright.shape, int(angle), int(distance))
        run = _followed(blocks, bright, line, shortest)
        if run is None:
            failures += 1
            votes[max(0, angle - 3) : angle + 4, max(0, distance - 3) : distance + 4] = 0
            continue
        column, row = line[0][run], line[1][run]
        _erase(left, column, row)
        votes = _votes(left)
        ends = (column[0], row[0], column[-1], row[-1])
        trail = Trail(*(float((end * step + (step - 1) / 2) * factor) for end in ends))
        if not _is_sensor_line(ends, bright.shape):
            trails.append(trail)
    return tuple(trails)


def _block_means(image: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    rows, columns = image.shape[0] // step, image.shape[1] // step
    whole = image[: rows * step, : columns * step]
    # Rows first: adding whole rows is many times quicker than adding a few neighbours.
    summed = whole.reshape(rows, step, columns * step).sum(axis=1)
    means = summed.reshape(rows, columns, step).sum(axis=2) / step**2
    result: NDArray[np.float32] = means.astype(np.float32)
    return result


def _bright(blocks: NDArray[np.float32]) -> Mask:
    level = float(np.median(blocks))
    sigma = 1.4826 * float(np.median(np.abs(blocks - level)))
    least = max(level + _THRESHOLD_SIGMA * sigma, float(np.quantile(blocks, 1.0 - _MOST_SHARE)))
    bright: Mask = blocks > least
    return bright


def _votes(bright: Mask) -> NDArray[np.int64]:
    """Return votes of shape (angles, distances), each the sum over three neighbour distances."""
    row, column = (np.asarray(part, np.float32) for part in np.nonzero(bright))
    reach = int(np.ceil(np.hypot(*bright.shape))) + 2
    wide = 2 * reach + 1
    votes = np.empty((_ANGLES, wide), dtype=np.int64)
    for first in range(0, _ANGLES, _AT_ONCE):
        angles = _angles()[first : first + _AT_ONCE, None]
        distance = column * np.cos(angles).astype(np.float32)
        distance += row * np.sin(angles).astype(np.float32)
        # Half more than the place of the angle's first distance, to round by cutting off.
        distance += (reach + 0.5 + wide * np.arange(len(angles))[:, None]).astype(np.float32)
        counted = np.bincount(distance.ravel().astype(np.intp), None, wide * len(angles))
        votes[first : first + len(angles)] = counted.reshape(len(angles), wide)
    votes[:, 1:-1] += votes[:, :-2] + votes[:, 2:]
    return votes


def _angles() -> FloatArray:
    angles: FloatArray = np.arange(_ANGLES, dtype=np.float64) * (np.pi / _ANGLES)
    return angles


def _along(shape: tuple[int, int], angle: int, distance: int) -> tuple[FloatArray, FloatArray]:
    """Return columns and rows, a block apart, of a line inside the frame."""
    turn = _angles()[angle]
    reach = int(np.ceil(np.hypot(*shape))) + 2
    offset = distance - reach
    t = np.arange(-reach, reach + 1, dtype=np.float64)
    column = offset * np.cos(turn) - t * np.sin(turn)
    row = offset * np.sin(turn) + t * np.cos(turn)
    inside = (column >= 0) & (column <= shape[1] - 1) & (row >= 0) & (row <= shape[0] - 1)
    return column[inside], row[inside]


def _followed(
    blocks: NDArray[np.float32],
    bright: Mask,
    line: tuple[FloatArray, FloatArray],
    shortest: float,
) -> NDArray[np.intp] | None:
    """Return the indices along a line of its longest stretch, if that is a trail."""
    column, row = line
    if len(column) < shortest:
        return None
    dx, dy = column[-1] - column[0], row[-1] - row[0]
    across = np.array((-dy, dx)) / np.hypot(dx, dy)

    def lit(away: int) -> Mask:
        """Whether there is light within a block of the line moved sideways."""
        seen: Mask = np.zeros(len(column), dtype=np.bool_)
        for shift in (away - 1, away, away + 1):
            c = np.clip(np.rint(column + shift * across[0]).astype(int), 0, bright.shape[1] - 1)
            r = np.clip(np.rint(row + shift * across[1]).astype(int), 0, bright.shape[0] - 1)
            seen |= bright[r, c]
        return seen

    on = np.flatnonzero(lit(0))
    if len(on) < shortest * _FILLED:
        return None
    stretches = np.split(on, np.flatnonzero(np.diff(on) > _LONGEST_GAP) + 1)
    best = max(stretches, key=len)
    run = np.arange(best[0], best[-1] + 1)
    filled = len(best) / len(run)
    flanks = max(float(lit(_FLANK)[run].mean()), float(lit(-_FLANK)[run].mean()))
    if len(run) < shortest or filled < _FILLED or filled - flanks < _CONTRAST:
        return None
    level = blocks[np.rint(row[run]).astype(int), np.rint(column[run]).astype(int)]
    first, *_, last = fifths = [float(np.median(part)) for part in np.array_split(level, 5)]
    if max(first, last) < _FADED * max(fifths[1:-1]):
        return None
    return run


def _erase(bright: Mask, column: FloatArray, row: FloatArray) -> None:
    """Take a trail out, with what is right next to it, so that it is found once."""
    for dr in range(-3, 4):
        for dc in range(-3, 4):
            r = np.clip(np.rint(row + dr).astype(int), 0, bright.shape[0] - 1)
            c = np.clip(np.rint(column + dc).astype(int), 0, bright.shape[1] - 1)
            bright[r, c] = False


def _is_sensor_line(ends: tuple[float, float, float, float], shape: tuple[int, ...]) -> bool:
    dx, dy = abs(ends[2] - ends[0]), abs(ends[3] - ends[1])
    off_axis_deg = float(np.degrees(np.arctan2(min(dx, dy), max(dx, dy))))
    side = shape[1] if dx > dy else shape[0]
    return off_axis_deg < _ALONG_AXIS_DEG and max(dx, dy) > 0.95 * side
