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

__all__ = ["SHARPEST_PX", "SKY_STEP", "Bright", "Light", "Mended", "without_defects"]

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
        row, column = _where(image > np.float32(_HOT_SIGMA * noise))
        if len(row) == 0:
            return cls(frame, sky, corner_sky, np.full(4, 0.25), 2.0 * noise)
        under = sky[row // SKY_STEP, column // SKY_STEP]
        parts = np.stack([plane[row, column] - under - lift
                          for plane, lift in zip(planes, corner_sky, strict=True)])  # fmt: skip
        shares = np.median(parts / np.maximum(4.0 * image[row, column], 1e-6), axis=1)
        shares = np.maximum(shares, 1e-3)
        return cls(frame, sky, corner_sky, shares / shares.sum(), 2.0 * noise)

    def sky_at(self, row: IntArray, column: IntArray) -> Image:
        """Return the level of the sky, that of a cell on a mosaic, under pixels of the frame."""
        step = SKY_STEP if self.frame.bayer is None else 2 * SKY_STEP
        # Rows and columns beyond the last whole cell are as their nearest.
        r = np.minimum(row // step, self.sky.shape[0] - 1)
        c = np.minimum(column // step, self.sky.shape[1] - 1)
        level: Image = self.sky[r, c]
        return level

    def bright(self, image: Image) -> Bright:
        """Return the pixels far above the noise.

        Args:
            image: Luminance without sky.
        """
        if self.frame.bayer is None:
            row, column = _where(image > np.float32(_HOT_SIGMA * self.noise))
            return self.look(self.frame.data, row, column, self.sky_at(row, column))
        # A quarter of a pixel's excess is seen in its cell, less what noise may hide.
        row, column = _where(image > np.float32((0.25 * _HOT_SIGMA - 0.5) * self.noise))
        under = self.sky_at(2 * row, 2 * column)
        row = (2 * row[:, None] + np.array((0, 0, 1, 1))).ravel()
        column = (2 * column[:, None] + np.array((0, 1, 0, 1))).ravel()
        lift = (self.corner_sky + _HOT_SIGMA * self.noise).astype(np.float32)
        over = self.frame.data[row, column] > (under[:, None] + lift).ravel()
        under = np.repeat(under, 4)[over]
        return self.look(self.frame.data, row[over], column[over], under)

    def look(self, data: NDArray[np.uint16], row: IntArray, column: IntArray, sky: Image) -> Bright:
        """Return pixels together with their neighbours.

        Args:
            data: Raw pixels, those of the frame or cleaned ones.
            row: Rows of the pixels, shape (N,).
            column: Their columns.
            sky: Level of the sky under them and their neighbours, that of a cell on a mosaic.
        """
        around = _Around(self, data, row, column, sky)
        two = np.empty((len(self._ways()), len(row)), np.float32)
        for number, (down, across) in enumerate(self._ways()):
            # The neighbours' light that this pixel may have, were it a star's.
            np.add(
                around.as_own_colour(down, across),
                around.as_own_colour(-down, -across),
                out=two[number],
            )
        return Bright(row, column, sky, around.net(0, 0), two)

    def _ways(self) -> tuple[tuple[int, int], ...]:
        """Return how far down and across neighbours are, one of each two."""
        steps = (1,) if self.frame.bayer is None else (1, 2)
        return tuple((step * down, step * across) for step in steps for down, across in _ONE_WAY)

    def too_sharp(self, bright: Bright, sigma_px: float) -> NDArray[np.bool_]:
        """Return which pixels no star of a width can have made, shape (N,).

        Args:
            bright: The pixels.
            sigma_px: Standard deviation of stars, in pixels of the frame.
        """
        sigma_px = min(sigma_px, _WIDEST_PX)
        own = _fallen(sigma_px, 0)
        sharp: NDArray[np.bool_] = np.zeros(len(bright.row), dtype=np.bool_)
        for (down, across), two in zip(self._ways(), bright.two, strict=True):
            other = _fallen(sigma_px, max(abs(down), abs(across)))
            bound = own * own / ((other if down else own) * (other if across else own))
            error = self.noise * float(np.sqrt(1.0 + 0.5 * bound**2))
            sharp |= bright.value - (0.5 * bound) * two > _BEYOND_SIGMA * error
        return sharp & (bright.value > _HOT_SIGMA * self.noise)


class Bright(NamedTuple):
    """Pixels of the frame far above the noise, and their neighbours, without their sky.

    Attributes:
        row, column: Where they are, shapes (N,).
        sky: Level of the sky under them and their neighbours, that of a cell on a mosaic, (N,).
        value: Their light, (N,).
        two: That of two neighbours on opposite sides, for each of the ways they lie, (W, N).
    """

    row: IntArray
    column: IntArray
    sky: Image
    value: Image
    two: Image

    def only(self, chosen: NDArray[np.bool_]) -> Bright:
        """Return some of them."""
        sky, value, two = self.sky[chosen], self.value[chosen], self.two[:, chosen]
        return Bright(self.row[chosen], self.column[chosen], sky, value, two)

    def look_again(self, light: Light, data: NDArray[np.uint16], chosen: NDArray[np.bool_]) -> None:
        """Take some of them, and their neighbours, from pixels that have changed."""
        fresh = light.look(data, self.row[chosen], self.column[chosen], self.sky[chosen])
        self.value[chosen] = fresh.value
        self.two[:, chosen] = fresh.two


class _Around:
    """Looks up pixels and their neighbours without their sky, all at once."""

    def __init__(
        self,
        light: Light,
        data: NDArray[np.uint16],
        row: IntArray,
        column: IntArray,
        sky: Image,
    ) -> None:
        height, width = data.shape
        self._data, self._sky = np.ravel(data), sky
        steps = (-1, 0, 1) if light.frame.bayer is None else (-2, -1, 0, 1, 2)
        # Neighbours outside of the frame are as the pixel itself, which has their colour, too.
        rows = {d: np.where((row + d >= 0) & (row + d < height), row + d, row) for d in steps}
        self._column = {
            d: np.where((column + d >= 0) & (column + d < width), column + d, column) for d in steps
        }
        self._row = {d: at * width for d, at in rows.items()}
        self._mosaic = light.frame.bayer is not None
        if light.frame.bayer is None:
            return
        self._corner_sky = light.corner_sky.astype(np.float32)
        self._row_part = {d: 2 * (rows[d] & 1) for d in steps}
        self._column_part = {d: self._column[d] & 1 for d in steps}
        names = np.array(list(light.frame.bayer))
        share = light.corner_light
        factor = np.where(
            names[:, None] == names, 1.0, _COLOURS * share[:, None] / share[None, :]
        )  # fmt: skip
        self._factor = factor.ravel().astype(np.float32)
        self._own_corner = self._row_part[0] + self._column_part[0]

    def net(self, down: int, across: int) -> Image:
        """Return the light of the neighbours so many pixels down and across."""
        value: Image = self._data[self._row[down] + self._column[across]] - self._sky
        if self._mosaic:
            value -= self._corner_sky[self._row_part[down] + self._column_part[across]]
        return value

    def as_own_colour(self, down: int, across: int) -> Image:
        """Return the same, times what it may count where the neighbours see another colour."""
        value = self.net(down, across)
        if self._mosaic and (down % 2 or across % 2):
            corner = self._row_part[down] + self._column_part[across]
            value *= self._factor[4 * self._own_corner + corner]
        return value


def _where(mask: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """Return rows and columns of what is true; quicker than `nonzero` where little is."""
    row, column = np.divmod(np.flatnonzero(mask), mask.shape[1])
    return row, column


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
        bright: The pixels that were looked at.
    """

    frame: Frame
    row: IntArray
    column: IntArray
    light: FloatArray
    bright: Bright


def without_defects(
    light: Light, image: Image, sigma_px: float = SHARPEST_PX, bright: Bright | None = None
) -> Mended:
    """Give pixels that are sharper than any star the median of their neighbours.

    Args:
        light: The frame.
        image: Its luminance without sky; corrected in place.
        sigma_px: Standard deviation of the sharpest stars, in pixels of the frame.
        bright: Pixels to look at, from an earlier call; all of the frame where not given.
    """
    frame = light.frame
    factor = 1 if frame.bayer is None else 2
    bright = light.bright(image) if bright is None else bright
    if len(bright.row) > _MOST_SHARE * frame.data.size:
        bright = bright.only(np.zeros(len(bright.row), dtype=np.bool_))
    left: NDArray[np.bool_] = np.ones(len(bright.row), dtype=np.bool_)
    none = bright.row[:0]
    rows, columns, taken = [none], [none], [np.empty(0)]
    data = frame.data
    for _ in range(_ROUNDS):
        sharp = left & light.too_sharp(bright, sigma_px)
        if not sharp.any():
            break
        data = data.copy() if data is frame.data else data
        r, c = bright.row[sharp], bright.column[sharp]
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
        # What has kept its neighbours has kept its verdict.
        near = _near(bright, r, c, data.shape, factor)
        bright.look_again(light, data, near)
        left &= near & ~sharp
    return Mended(
        replace(frame, data=data),
        np.concatenate(rows),
        np.concatenate(columns),
        np.concatenate(taken),
        bright,
    )


def _near(
    bright: Bright, row: IntArray, column: IntArray, shape: tuple[int, ...], reach: int
) -> NDArray[np.bool_]:
    """Return which pixels are neighbours of some others, as far away as that."""
    near: NDArray[np.bool_] = np.zeros(shape, dtype=np.bool_)
    for i in range(-reach, reach + 1):
        for j in range(-reach, reach + 1):
            near[np.clip(row + i, 0, shape[0] - 1), np.clip(column + j, 0, shape[1] - 1)] = True
    return near[bright.row, bright.column]
