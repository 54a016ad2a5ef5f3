"""The image of a star: air, optics, focus, guiding, trailing and the pixel, in one shape.

All parts are multiplied as transfer functions (the Fourier transform of a convolution) and the
product is brought back once, on a grid finer than the pixels. Stamps for every sub-pixel position
are then only slices of that grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_BETA = 3  # wings of a star through amateur optics; 2.5 to 4.8 are seen (common practice)
_WING_PX = 16  # half-width of a stamp beyond the disc of a defocused star
_TRANSFER_END = 18.4  # logarithm of the share, 1e8, from which on a transform is nothing
_FINE, _COARSE = 8, 4  # grid points a pixel; large discs need fewer


@dataclass(frozen=True)
class Blur:
    """What spreads a star, in pixels; x along rows, y along columns.

    Attributes:
        moffat_fwhm: seeing and optics together.
        disc_radius: of the defocused pupil, geometric.
        obstruction: inner radius of that pupil as a share of the outer.
        jitter_xx: variance of the guided motion along x; xy and yy likewise.
        trail_x: extent of a steady motion during the exposure along x, trail_y along y.
    """

    moffat_fwhm: float
    disc_radius: float = 0.0
    obstruction: float = 0.0
    jitter_xx: float = 0.0
    jitter_xy: float = 0.0
    jitter_yy: float = 0.0
    trail_x: float = 0.0
    trail_y: float = 0.0

    def rounded(self) -> Blur:
        """Return nearly the same blur on a coarse lattice, so that like frames share a shape.

        A twenty-fifth of a pixel is below what can be measured of a star's size.
        """
        return Blur(
            round(self.moffat_fwhm * 25.0) / 25.0,
            round(self.disc_radius * 25.0) / 25.0,
            self.obstruction,
            round(self.jitter_xx, 2),
            round(self.jitter_xy, 2),
            round(self.jitter_yy, 2),
            round(self.trail_x * 25.0) / 25.0,
            round(self.trail_y * 25.0) / 25.0,
        )


class Psf:
    """The image of a point source; its sum over all pixels is one.

    Attributes:
        half_width: stamps reach this many pixels from the middle one.
        steps: sub-pixel positions along each axis.
    """

    def __init__(self, blur: Blur) -> None:
        reach = blur.disc_radius + 0.5 * max(abs(blur.trail_x), abs(blur.trail_y))
        self.half_width = _WING_PX + int(np.ceil(reach))
        self.steps = _FINE if self.half_width <= 20 else _COARSE
        self._grid = _on_grid(blur, 2 * self.half_width + 2, self.steps)

    @cached_property
    def stamps(self) -> NDArray[np.float32]:
        """Light in each pixel, shape (steps, steps, S, S) for sub-pixel offsets in y and x.

        Stamp [j, i] is of a star i/steps pixels right of and j/steps above the middle pixel's
        centre; S is 2 half_width + 1.
        """
        pixels = np.arange(-self.half_width, self.half_width + 1) * self.steps
        index = (pixels[None, :] - np.arange(self.steps)[:, None]) % len(self._grid)
        stamps = self._grid[index[:, None, :, None], index[None, :, None, :]]
        scaled: NDArray[np.float32] = (stamps * self.steps**2).astype(np.float32)
        return scaled

    @cached_property
    def centred(self) -> FloatArray:
        """Light in each pixel for a star on the centre of one, shape (S, S)."""
        return self.stamp(0, 0)

    def stamp(self, row: int, column: int) -> FloatArray:
        """Return one of `stamps`, shape (S, S), without making them all."""
        pixels = np.arange(-self.half_width, self.half_width + 1) * self.steps
        size = len(self._grid)
        stamp: FloatArray = self._grid[np.ix_((pixels - row) % size, (pixels - column) % size)]
        return stamp * self.steps**2

    @cached_property
    def reach(self) -> FloatArray:
        """Largest share of the light in a pixel at this many pixels or more from the middle."""
        centre = self.half_width
        rings = np.maximum(
            np.abs(np.arange(-centre, centre + 1))[:, None],
            np.abs(np.arange(-centre, centre + 1))[None, :],
        )
        largest = np.zeros(centre + 1)
        np.maximum.at(largest, rings, self.centred)
        return np.maximum.accumulate(largest[::-1])[::-1]

    def half_flux_radius(self, within_px: float = np.inf) -> float:
        """Return the radius of the circle with half of the light that is inside another circle."""
        rings = _rings(len(self._grid), self.steps)
        if np.isfinite(within_px):
            rings = np.minimum(rings, int(16.0 * within_px))
        light = np.bincount(rings, weights=self._grid.ravel())
        inside = np.cumsum(light[:-1] if np.isfinite(within_px) else light)
        half = 0.5 * inside[-1]
        outer = int(np.searchsorted(inside, half))
        before = inside[outer - 1] if outer else 0.0
        return float((outer + (half - before) / (inside[outer] - before)) / 16.0)

    def fwhm(self) -> float:
        """Return the diameter of the circle whose area is that above half of the maximum."""
        above = np.count_nonzero(self._grid >= 0.5 * self._grid.max()) / self.steps**2
        return float(2.0 * np.sqrt(above / np.pi))


@lru_cache(maxsize=64)
def psf_of(blur: Blur) -> Psf:
    """Return the image of a star under a blur, from a small store of the latest."""
    return Psf(blur)


@lru_cache(maxsize=16)
def _radii(n: int, steps: int) -> FloatArray:
    axis = np.fft.fftfreq(n, 1.0 / n) / steps
    return np.hypot(axis[:, None], axis[None, :])


@lru_cache(maxsize=16)
def _rings(n: int, steps: int) -> NDArray[np.intp]:
    """Return whole sixteenths of a pixel from the middle, of each point of a grid in turn."""
    return (_radii(n, steps) * 16.0).astype(np.intp).ravel()


@lru_cache(maxsize=16)
def _frequencies(n: int, steps: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return cycles per pixel along y, along x, and their hypotenuse, shapes for `rfft2`."""
    y: FloatArray = np.asarray(np.fft.fftfreq(n, 1.0 / steps), dtype=np.float64)[:, None]
    x: FloatArray = np.asarray(np.fft.rfftfreq(n, 1.0 / steps), dtype=np.float64)[None, :]
    return y, x, np.hypot(x, y)


def _on_grid(blur: Blur, width_px: int, steps: int) -> FloatArray:
    """Return the pixel-integrated image, star at index (0, 0), wrapped; the sum is one."""
    n = width_px * steps
    transfer = _round_transfer(blur.moffat_fwhm, n, steps).copy()
    # What is left out along x is nothing; the way back takes it so.
    fy, fx, f = (part[:, : transfer.shape[1]] for part in _frequencies(n, steps))
    if blur.disc_radius > 0.0:
        transfer *= _annulus(f * blur.disc_radius, blur.obstruction)
    if blur.jitter_xx > 0.0 or blur.jitter_yy > 0.0:
        spread = blur.jitter_xx * fx**2 + 2.0 * blur.jitter_xy * fx * fy + blur.jitter_yy * fy**2
        transfer *= np.exp(-2.0 * np.pi**2 * spread)
    if blur.trail_x != 0.0 or blur.trail_y != 0.0:
        transfer *= np.sinc(blur.trail_x * fx + blur.trail_y * fy)
    grid: FloatArray = np.fft.irfft2(transfer, s=(n, n))
    np.maximum(grid, 0.0, out=grid)  # rounding leaves some darker than nothing
    grid /= grid.sum()
    return grid


@lru_cache(maxsize=64)
def _round_transfer(moffat_fwhm: float, n: int, steps: int) -> NDArray[np.complex128]:
    """Return the transform of seeing and pixel, as `rfft2` has it, to where it ends along x."""
    alpha = moffat_fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / _BETA) - 1.0))
    # The transform of a Moffat profile falls off with exp(-2 pi alpha f), slowed by powers of f.
    end = int(np.ceil(n / steps * _TRANSFER_END / (2.0 * np.pi * alpha))) + 1
    fy, fx, _ = (part[:, :end] for part in _frequencies(n, steps))
    # The rows beyond the middle repeat those before it. Multiplied out, since a power of any
    # exponent takes many times as long.
    base = 1.0 + (_radii(n, steps)[: n // 2 + 1] / alpha) ** 2
    half = np.fft.rfft(1.0 / (base * base * base))[:, :end]
    transfer: NDArray[np.complex128] = np.fft.fft(np.vstack((half, half[-2:0:-1])), axis=0)
    transfer *= np.sinc(fx) * np.sinc(fy) / transfer[0, 0]
    return transfer


def _annulus(radius_cycles: FloatArray, obstruction: float) -> FloatArray:
    """Return the transform of a ring of unit outer radius, one at zero frequency."""
    outer = _disc(radius_cycles)
    if obstruction == 0.0:
        return outer
    share = obstruction * obstruction
    return (outer - share * _disc(radius_cycles * obstruction)) / (1.0 - share)


def _disc(radius_cycles: FloatArray) -> FloatArray:
    """Return 2 J1(z)/z of z = 2 pi times the argument, from a table."""
    z, values = _disc_table()
    return np.interp(2.0 * np.pi * radius_cycles, z, values, right=0.0)


@lru_cache(maxsize=1)
def _disc_table() -> tuple[FloatArray, FloatArray]:
    """Tabulate 2 J1(z)/z as the transform of a disc's chord lengths.

    Gauss-Chebyshev quadrature of the second kind (Abramowitz and Stegun 25.4.40), exact to
    rounding while z is below the number of nodes.
    """
    nodes = 640
    angle = np.arange(1, nodes + 1) * np.pi / (nodes + 1)
    weight = 2.0 / (nodes + 1) * np.sin(angle) ** 2
    z = np.arange(0.0, 600.0, 0.25)
    return z, np.cos(np.outer(z, np.cos(angle))) @ weight
