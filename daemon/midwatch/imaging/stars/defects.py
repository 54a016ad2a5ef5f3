"""Light that no telescope can have drawn: hot pixels, and the tracks of cosmic rays.

Whatever passed optics is spread: pixels fall off no faster than a star is wide. So for a pixel and
two neighbours on opposite sides the quotient p0 / (p1 + p2) is largest for a star on the middle of
that pixel; several stars on top of each other keep below the same bound, since a quotient of sums
lies between the quotients (the mediant). What exceeds the bound in any of four directions is charge
that was born in the sensor. A track is as sharp across as a single pixel, however long it is.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame

__all__ = ["SHARPEST_PX", "SKY_STEP", "Light", "Mended", "without_defects"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Image = NDArray[np.float32]

# Standard deviation of the sharpest star that is believed before any was measured. The sharpest
# optics on the largest pixels give 0.5; noise of the quotient is allowed for.
SHARPEST_PX = 0.46
# Wider stars are judged as if they were as wide as this: their tops are flat over three pixels, and
# the noise of their light would exceed the bound.
_WIDEST_PX = 1.2
# A pixel has to be so far above the noise, and beyond the bound by so many errors.
_HOT_SIGMA, _BEYOND_SIGMA = 8.0, 5.0
_ROUNDS = 3
# The level of the sky changes little over so many pixels.
SKY_STEP = 8
# Colours of stars differ from their mean by this factor between two colours of a mosaic.
_COLOURS = 3.0
# With more pixels than this far above the noise the frame is full of light, and none is judged.
_MOST_SHARE = 0.1
_ONE_WAY = ((0, 1), (1, 0), (1, 1), (1, -1))
_AROUND = tuple((r, c) for r in (-1, 0, 1) for c in (-1, 0, 1) if (r, c) != (0, 0))


class Light(NamedTuple):
    """The raw pixels of a frame and the sky under them.

    Attributes:
        frame: raw frame.
        sky: level of the sky in every eighth pixel of the luminance, along both axes.
        corner_sky: level of each pixel of a cell over that of the cell, (1,) or (4,).
        corner_light: share of the light of stars in each pixel of a cell, likewise.
        noise: standard deviation of a raw pixel on empty sky.
    """

    frame: Frame
    sky: Image
    corner_sky: FloatArray
    corner_light: FloatArray
    noise: float

    @classmethod
    def of(cls, frame: Frame, before: Image, image: Image, noise: float) -> Light:
        """Learn sky and colours of a frame.

        Args:
            frame: The raw frame.
            before: Every eighth pixel of its luminance, along both axes.
            image: Its luminance without sky.
            noise: Standard deviation of a pixel of the luminance.
        """
        sky = before - image[::SKY_STEP, ::SKY_STEP]
        if frame.bayer is None:
            return cls(frame, sky, np.ones(1), np.ones(1), noise)
        rows, columns = image.shape
        planes = [frame.data[r : 2 * rows : 2, c : 2 * columns : 2] for r in (0, 1) for c in (0, 1)]
        level = float(np.median(sky))
        corner_sky = np.array([float(np.median(plane[::5, ::5])) for plane in planes]) - level
        row, column = np.nonzero(image > _HOT_SIGMA * noise)
        if len(row) == 0:
            return cls(frame, sky, corner_sky, np.full(4, 0.25), 2.0 * noise)
        under = sky[row // SKY_STEP, column // SKY_STEP]
        parts = np.stack([plane[row, column] - under - lift
                          for plane, lift in zip(planes, corner_sky, strict=True)])  # fmt: skip
        shares = np.median(parts / np.maximum(4.0 * image[row, column], 1e-6), axis=1)
        shares = np.maximum(shares, 1e-3)
        return cls(frame, sky, corner_sky, shares / shares.sum(), 2.0 * noise)

    def net(self, data: NDArray[np.uint16], row: IntArray, column: IntArray) -> FloatArray:
        """Return pixels without their sky; those outside of the frame are as their nearest."""
        row = np.clip(row, 0, data.shape[0] - 1)
        column = np.clip(column, 0, data.shape[1] - 1)
        value = data[row, column].astype(np.float64)
        step = SKY_STEP if self.frame.bayer is None else 2 * SKY_STEP
        r = np.minimum(row // step, self.sky.shape[0] - 1)
        c = np.minimum(column // step, self.sky.shape[1] - 1)
        value -= self.sky[r, c]
        if self.frame.bayer is not None:
            value -= self.corner_sky[2 * (row % 2) + column % 2]
        return value

    def bright(self, image: Image) -> tuple[IntArray, IntArray]:
        """Return rows and columns of the pixels far above the noise.

        Args:
            image: Luminance without sky.
        """
        if self.frame.bayer is None:
            found = np.nonzero(image > _HOT_SIGMA * self.noise)
            return found[0], found[1]
        # A quarter of a pixel's excess is seen in its cell, less what noise may hide.
        row, column = np.nonzero(image > (0.25 * _HOT_SIGMA - 0.5) * self.noise)
        row = (2 * row[:, None] + np.array((0, 0, 1, 1))).ravel()
        column = (2 * column[:, None] + np.array((0, 1, 0, 1))).ravel()
        over = self.net(self.frame.data, row, column) > _HOT_SIGMA * self.noise
        return row[over], column[over]

    def too_sharp(
        self, data: NDArray[np.uint16], row: IntArray, column: IntArray, sigma_px: float
    ) -> NDArray[np.bool_]:
        """Return which pixels no star of a width can have made, shape (N,).

        Args:
            data: Raw pixels, those of the frame or cleaned ones.
            row: Rows of the pixels.
            column: Their columns.
            sigma_px: Standard deviation of stars, in pixels of the frame.
        """
        sigma_px = min(sigma_px, _WIDEST_PX)
        value = self.net(data, row, column)
        sharp: NDArray[np.bool_] = np.zeros(len(row), dtype=np.bool_)
        steps = (1,) if self.frame.bayer is None else (1, 2)
        for step in steps:
            own, other = _fallen(sigma_px, 0), _fallen(sigma_px, step)
            for down, across in _ONE_WAY:
                down, across = step * down, step * across
                bound = own * own / ((other if down else own) * (other if across else own))
                two = np.zeros(len(row))
                for sign in (-1, 1):
                    r, c = row + sign * down, column + sign * across
                    two += self._as_own_colour(row, column, r, c) * self.net(data, r, c)
                error = self.noise * np.sqrt(1.0 + 0.5 * bound**2)
                sharp |= value - 0.5 * bound * two > _BEYOND_SIGMA * error
        return sharp & (value > _HOT_SIGMA * self.noise)

    def _as_own_colour(
        self, row: IntArray, column: IntArray, r: IntArray, c: IntArray
    ) -> FloatArray | float:
        """Return by how much the neighbours' light counts, where they see another colour."""
        if self.frame.bayer is None:
            return 1.0
        mine, theirs = 2 * (row % 2) + column % 2, 2 * (r % 2) + c % 2
        names = np.array(list(self.frame.bayer))
        factor = _COLOURS * self.corner_light[mine] / self.corner_light[theirs]
        return np.asarray(np.where(names[mine] == names[theirs], 1.0, factor), np.float64)


def _fallen(sigma_px: float, away_px: int) -> float:
    """Return the light of a Gaussian along one axis in the pixel so far from its middle."""
    from scipy.special import erf

    edges = (away_px + np.array((-0.5, 0.5))) / (np.sqrt(2.0) * sigma_px)
    return float(0.5 * np.diff(erf(edges))[0])


class Mended(NamedTuple):
    """What was taken out of a frame.

    Attributes:
        frame: The frame without it; a copy where there was something.
        row, column: Pixels of the luminance that were corrected, shapes (N,).
        light: What was taken from each, of the luminance.
    """

    frame: Frame
    row: IntArray
    column: IntArray
    light: FloatArray


def without_defects(light: Light, image: Image, sigma_px: float = SHARPEST_PX) -> Mended:
    """Give pixels that are sharper than any star the median of their neighbours.

    Args:
        light: The frame.
        image: Its luminance without sky; corrected in place.
        sigma_px: Standard deviation of the sharpest stars, in pixels of the frame.
    """
    frame = light.frame
    factor = 1 if frame.bayer is None else 2
    row, column = light.bright(image)
    if len(row) > _MOST_SHARE * frame.data.size:
        row, column = row[:0], column[:0]
    rows, columns, taken = [row[:0]], [column[:0]], [np.empty(0)]
    data = frame.data
    for _ in range(_ROUNDS):
        sharp = light.too_sharp(data, row, column, sigma_px)
        if not sharp.any():
            break
        data = data.copy() if data is frame.data else data
        r, c = row[sharp], column[sharp]
        # On a mosaic pixels of the same colour are two away.
        around = [data[np.clip(r + factor * i, 0, data.shape[0] - 1),
                       np.clip(c + factor * j, 0, data.shape[1] - 1)]
                  for i, j in _AROUND]  # fmt: skip
        mended = np.sort(np.stack(around), axis=0)[3]
        change = (data[r, c].astype(np.float64) - mended) / factor**2
        data[r, c] = mended
        np.subtract.at(image, (r // factor, c // factor), change.astype(np.float32))
        rows.append(r // factor)
        columns.append(c // factor)
        taken.append(change)
        row, column = row[~sharp], column[~sharp]
    return Mended(
        replace(frame, data=data),
        np.concatenate(rows),
        np.concatenate(columns),
        np.concatenate(taken),
    )
