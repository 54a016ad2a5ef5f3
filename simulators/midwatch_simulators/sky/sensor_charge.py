"""Charge that no light has made: tracks of cosmic rays, and hot pixels that go on and off."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch_simulators.base import generator

__all__ = ["Tracks", "cosmic_rays", "telegraph"]

FloatArray = NDArray[np.float64]

# A fast muon frees about 80 electrons in a micrometre of silicon (Particle Data Group), in a
# sensitive layer this deep; losses scatter upwards.
_ELECTRONS_PER_UM, _DEPTH_UM, _SPREAD = 80.0, 12.0, 0.35
# One in so many is an electron from the radioactivity of what is around; it is slow, and wanders.
_WANDERERS, _WANDERED_UM = 4, 60.0
# Charge spreads on its way out of the silicon by so much, rms along each axis.
_DIFFUSION_UM = 1.2
_STEPS = 120
# Pixels with telegraph noise change after such times on average, from a few seconds to an hour.
_TIMES_S = (5.0, 20.0, 80.0, 320.0, 1280.0, 3600.0)
_MOST_CHANGES = 64


class Tracks(NamedTuple):
    """Charge left in a sensor, shapes (N,); pixels may occur more than once."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    electrons: FloatArray


def cosmic_rays(
    shape: tuple[int, int],
    pixel_um: float,
    per_cm2_min: float,
    exposure_s: float,
    rng: np.random.Generator,
) -> Tracks:
    """Draw the tracks of an exposure.

    Muons arrive with the square of the cosine of the zenith distance, so that a track through a
    layer of depth d is d tan(z) long in the plane of the sensor and d / cos(z) long in all.

    Args:
        shape: Rows and columns of the sensor, unbinned.
        pixel_um: Side of one of its pixels.
        per_cm2_min: Rate.
        exposure_s: Time during which charge is gathered.
        rng: Where chance comes from.
    """
    rows, columns = shape
    area_cm2 = rows * columns * (pixel_um * 1e-4) ** 2
    count = int(rng.poisson(per_cm2_min * area_cm2 * exposure_s / 60.0))
    # Flux through a plane goes with the third power of the cosine for each solid angle.
    cosine = np.maximum(rng.random(count) ** 0.25, 0.05)
    length_um = _DEPTH_UM * np.sqrt(1.0 - cosine**2) / cosine
    turn = rng.uniform(0.0, 2.0 * math.pi, count)
    electrons = (
        _ELECTRONS_PER_UM * _DEPTH_UM / cosine * np.exp(_SPREAD * rng.standard_normal(count))
    )
    along = np.linspace(0.0, 1.0, _STEPS)[None, :] * length_um[:, None]
    heading = np.broadcast_to(turn[:, None], along.shape).copy()
    slow = np.arange(count) % _WANDERERS == _WANDERERS - 1
    wander = np.cumsum(0.35 * rng.standard_normal((count, _STEPS)), axis=1)
    heading[slow] += wander[slow]
    step_um = np.where(slow, _WANDERED_UM, length_um)[:, None] / _STEPS
    x_um = np.where(slow[:, None], np.cumsum(np.cos(heading), axis=1) * step_um,
                    along * np.cos(heading))  # fmt: skip
    y_um = np.where(slow[:, None], np.cumsum(np.sin(heading), axis=1) * step_um,
                    along * np.sin(heading))  # fmt: skip
    electrons = np.where(slow, 2.0 * electrons, electrons)
    start_x, start_y = rng.uniform(0, columns, count), rng.uniform(0, rows, count)
    blur = _DIFFUSION_UM * rng.standard_normal((2, count, _STEPS))
    column = np.floor(start_x[:, None] + (x_um + blur[0]) / pixel_um).astype(np.intp).ravel()
    row = np.floor(start_y[:, None] + (y_um + blur[1]) / pixel_um).astype(np.intp).ravel()
    inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    share = np.repeat(electrons / _STEPS, _STEPS)
    return Tracks(row[inside], column[inside], share[inside])


def telegraph(seed: int, count: int, began_s: float, exposure_s: float) -> FloatArray:
    """Return for each of some pixels the share of an exposure in which it was on, shape (N,).

    A pixel is on or off, each half of the time, and is drawn again after times of its own. What it
    is at an instant follows from seed and instant alone.
    """
    share = np.empty(count)
    for kind, time_s in enumerate(_TIMES_S):
        mine = slice(kind, None, len(_TIMES_S))
        size = len(share[mine])
        first, last = math.floor(began_s / time_s), math.floor((began_s + exposure_s) / time_s)
        if size == 0:
            continue
        if last - first > _MOST_CHANGES:
            share[mine] = 0.5
            continue
        on = np.zeros(size)
        for index in range(first, last + 1):
            begins = max(began_s, index * time_s)
            ends = min(began_s + exposure_s, (index + 1) * time_s)
            weight = (ends - begins) / exposure_s if exposure_s > 0.0 else 1.0
            rng = generator(seed, "telegraph", kind, index)
            on += weight * (rng.random(size) < 0.5)
        share[mine] = on
    return share
