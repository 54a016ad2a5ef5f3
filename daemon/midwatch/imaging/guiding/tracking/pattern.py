"""Finding a known pattern of stars again after it was out of sight."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["common_shift"]

FloatArray = NDArray[np.float64]

# Stars of one pattern agree about their shift this well.
_AGREE_PX = 2.5
# A star seen alone is taken for the known one only if its light is within this factor; the
# share that a thin cloud leaves is not known, so the factor is wide.
_ALONE_LIGHT = 4.0


def common_shift(
    known_px: FloatArray,
    known_light: FloatArray,
    seen_px: FloatArray,
    seen_light: FloatArray,
    expected_px: FloatArray,
    radius_px: float,
) -> FloatArray | None:
    """Return the shift from known to seen stars on which most pairs agree.

    Args:
        known_px: Places of the pattern, shape (N, 2).
        known_light: Light of its stars, shape (N,).
        seen_px: Places of the stars in the frame, shape (M, 2).
        seen_light: Their light, shape (M,).
        expected_px: The likeliest shift, shape (2,).
        radius_px: How far from it the shift may be.

    Returns:
        The shift, shape (2,); None when no pair is within reach, when fewer than two stars of a
        pattern of several agree, or when a lone star is too bright or too faint to be the one.
    """
    if len(known_px) == 0 or len(seen_px) == 0:
        return None
    shift = (seen_px[None, :, :] - known_px[:, None, :]).reshape(-1, 2)
    ratio = (seen_light[None, :] / known_light[:, None]).reshape(-1)
    near = np.hypot(*(shift - expected_px).T) <= radius_px
    if not near.any():
        return None
    shift, ratio = shift[near], ratio[near]
    distance = np.hypot(*(shift[:, None] - shift[None]).transpose(2, 0, 1))
    agree = distance <= _AGREE_PX
    votes = agree.sum(axis=1)
    # Among equals the one nearest to what was expected.
    away = np.hypot(*(shift - expected_px).T)
    best = int(np.lexsort((away, -votes))[0])
    if votes[best] < 2:
        alone = ratio[best] if len(known_px) < 3 else np.nan
        if not 1.0 / _ALONE_LIGHT < alone < _ALONE_LIGHT:
            return None
    mean: FloatArray = shift[agree[best]].mean(axis=0)
    return mean
