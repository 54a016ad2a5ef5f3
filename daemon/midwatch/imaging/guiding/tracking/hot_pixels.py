"""Which pixels of the guide sensor shine by themselves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["HotPixelMap"]

# A pixel stands out when it exceeds the brightest but one of its surroundings by this many
# standard deviations of the sky. Lower and the peaks of faint noise fill the map, higher and warm
# pixels that shift a centroid stay in.
_STANDS_OUT_SIGMA = 6.0
# Looks at a pixel before it is judged, and the share of them in which it must stand out. A star
# that comes back to a pixel during a calibration is there in some looks, never in nearly all.
_FEWEST_LOOKS = 4
_HOT_SHARE = 0.8
# Stars must have moved this far between two looks, or the same star would count twice.
_LEAST_MOTION_PX = 2.5


class HotPixelMap:
    """Learns hot pixels from frames between which the stars move and the pixels do not."""

    def __init__(self, shape: tuple[int, int]) -> None:
        """Begin with no pixel known, for frames of `shape` (H, W)."""
        self._seen: NDArray[np.uint16] = np.zeros(shape, dtype=np.uint16)
        self._looks = 0
        self._last_px: tuple[float, float] | None = None
        self._rows: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        self._columns: NDArray[np.intp] = np.empty(0, dtype=np.intp)

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def shape(self) -> tuple[int, int]:
        """Shape (H, W) of the frames it knows."""
        height, width = self._seen.shape
        return height, width

    @property
    def mask(self) -> NDArray[np.bool_]:
        """Where pixels are hot, shape (H, W)."""
        mask = np.zeros(self._seen.shape, dtype=np.bool_)
        mask[self._rows, self._columns] = True
        return mask

    def learn(self, data: NDArray[np.uint16], star_shift_px: tuple[float, float]) -> bool:
        """Take a look, if the stars have moved enough since the last.

        Args:
            data: Pixels, shape (H, W).
            star_shift_px: Where the stars are relative to some fixed place, the same throughout.

        Returns:
            Whether the look counted. Frames of another shape never do.
        """
        if data.shape != self._seen.shape:
            return False
        if self._last_px is not None:
            moved = np.hypot(
                star_shift_px[0] - self._last_px[0], star_shift_px[1] - self._last_px[1]
            )
            if moved < _LEAST_MOTION_PX:
                return False
        self._last_px = star_shift_px
        self._seen += _standing_out(data)
        self._looks += 1
        if self._looks >= _FEWEST_LOOKS:
            self._rows, self._columns = np.nonzero(self._seen >= _HOT_SHARE * self._looks)
        return True

    def clean(self, data: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Return the frame with known hot pixels replaced by the median of what surrounds them."""
        if len(self._rows) == 0 or data.shape != self._seen.shape:
            return data
        height, width = data.shape
        # Hot neighbours must not vouch for each other: they are left out of the medians.
        masked = data.astype(np.float32)
        masked[self._rows, self._columns] = np.nan
        offsets = [(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0)]
        around = np.stack(
            [
                masked[
                    np.clip(self._rows + r, 0, height - 1), np.clip(self._columns + c, 0, width - 1)
                ]
                for r, c in offsets
            ]
        )
        known = np.isfinite(around).any(axis=0)
        cleaned = data.copy()
        cleaned[self._rows[known], self._columns[known]] = np.nanmedian(around[:, known], axis=0)
        return cleaned


def _standing_out(data: NDArray[np.uint16]) -> NDArray[np.bool_]:
    """Mark pixels far brighter than the median of the 3x3 about them, shape (H, W)."""
    from scipy.ndimage import median_filter

    image = data.astype(np.float32)
    excess = image - median_filter(image, size=3, mode="nearest")
    noise = 1.4826 * float(np.median(np.abs(image - np.median(image))))
    bright: NDArray[np.bool_] = excess > _STANDS_OUT_SIGMA * max(noise, 1.0)
    return bright
