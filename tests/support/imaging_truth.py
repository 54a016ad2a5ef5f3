"""Frames whose stars are known, rendered without any code of the program.

A Gaussian is integrated over each pixel through the error function; a Moffat profile is summed on
a grid of 7x7 points a pixel; a ring (a star out of focus behind an obstruction) likewise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

FloatArray = NDArray[np.float64]
Profile = Callable[[FloatArray, FloatArray], FloatArray]


def gaussian(sigma_x: float, sigma_y: float | None = None) -> Callable[..., FloatArray]:
    """Unit light in pixels of a Gaussian centred at (x0, y0), by exact integration."""
    sy = sigma_x if sigma_y is None else sigma_y

    def stamp(x: FloatArray, y: FloatArray, x0: float, y0: float) -> FloatArray:
        def part(u: FloatArray, u0: float, s: float) -> FloatArray:
            edge = np.sqrt(2) * s
            return 0.5 * (erf((u + 0.5 - u0) / edge) - erf((u - 0.5 - u0) / edge))

        return part(y, y0, sy)[:, None] * part(x, x0, sigma_x)[None, :]

    return stamp


def oversampled(
    density: Callable[[FloatArray], FloatArray], n: int = 7
) -> Callable[..., FloatArray]:
    """Unit light in pixels of a round profile given as density against radius in pixels."""
    sub = (np.arange(n) - (n - 1) / 2) / n

    def stamp(x: FloatArray, y: FloatArray, x0: float, y0: float) -> FloatArray:
        xs = (x[:, None] + sub).ravel() - x0
        ys = (y[:, None] + sub).ravel() - y0
        fine = density(np.hypot(ys[:, None], xs[None, :]))
        return fine.reshape(len(y), n, len(x), n).sum(axis=(1, 3)) / n**2

    return stamp


def moffat(fwhm: float, beta: float) -> Callable[..., FloatArray]:
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return oversampled(lambda r: (beta - 1) / (np.pi * alpha**2) * (1 + (r / alpha) ** 2) ** -beta)


def elliptic(
    fwhm: float,
    ratio: float,
    angle_deg: float,
    beta: float | None = None,
    trail_px: float = 0.0,
    n: int = 7,
) -> Callable[..., FloatArray]:
    """Unit light in pixels of an ellipse, Gaussian or Moffat, drawn out evenly along its long axis.

    `fwhm` is that of the short axis; the long one lies at `angle_deg` from +x towards +y.
    """
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    sub = (np.arange(n) - (n - 1) / 2) / n
    steps = (np.arange(15) - 7) / 15 * trail_px if trail_px else np.zeros(1)

    def density(square: FloatArray) -> FloatArray:
        if beta is None:
            variance = (fwhm / 2.35482) ** 2
            return np.exp(-0.5 * square / variance) / (2 * np.pi * variance * ratio)
        alpha2 = fwhm**2 / (4 * (2 ** (1 / beta) - 1))
        return (beta - 1) / (np.pi * alpha2 * ratio) * (1 + square / alpha2) ** -beta

    def stamp(x: FloatArray, y: FloatArray, x0: float, y0: float) -> FloatArray:
        xs = ((x[:, None] + sub).ravel() - x0)[None, :]
        ys = ((y[:, None] + sub).ravel() - y0)[:, None]
        along, across = xs * c + ys * s, ys * c - xs * s
        fine = sum(density(((along - t) / ratio) ** 2 + across**2) for t in steps) / len(steps)
        return fine.reshape(len(y), n, len(x), n).sum(axis=(1, 3)) / n**2

    return stamp


def mosaic(shape: tuple[int, int], bayer: str) -> FloatArray:
    """Transmission of a usual colour mosaic, shape (H, W)."""
    colour = np.ones(shape)
    for index, name in enumerate(bayer):
        colour[index // 2 :: 2, index % 2 :: 2] = {"R": 0.8, "G": 1.0, "B": 0.7}[name]
    return colour


def ring(outer: float, inner: float) -> Callable[..., FloatArray]:
    area = np.pi * (outer**2 - inner**2)
    return oversampled(lambda r: ((r <= outer) & (r >= inner)) / area)


@dataclass
class Truth:
    data: NDArray[np.uint16]
    x: FloatArray
    y: FloatArray
    flux: FloatArray


def render(
    stamp: Callable[..., FloatArray],
    *,
    shape: tuple[int, int] = (300, 400),
    stars: int = 60,
    flux: tuple[float, float] = (5_000, 100_000),
    sky: float = 800.0,
    gain: float = 1.0,
    read_noise: float = 3.0,
    reach: int = 30,
    seed: int = 1,
    full: int = 65535,
    separation: float = 24.0,
    border: float = 25.0,
    colour: NDArray[np.float64] | None = None,
    known: tuple[FloatArray, FloatArray, FloatArray] | None = None,
) -> Truth:
    """Render stars at least `separation` apart, with photon and read noise, as uint16.

    `colour` is an (H, W) map of transmissions, for a mosaic; `known` gives x, y and light of the
    stars instead of having them drawn.
    """
    rng = np.random.default_rng(seed)
    height, width = shape
    if known is None:
        known = _scattered(rng, shape, stars, flux, separation, border)
    image = np.zeros(shape)
    for x, y, f in zip(*known, strict=True):
        c, r = round(x), round(y)
        c0, c1 = max(0, c - reach), min(width, c + reach + 1)
        r0, r1 = max(0, r - reach), min(height, r + reach + 1)
        image[r0:r1, c0:c1] += f * stamp(
            np.arange(c0, c1, dtype=float), np.arange(r0, r1, dtype=float), x, y
        )
    mean = (image + sky) * (1.0 if colour is None else colour)
    noisy = rng.poisson(mean * gain) / gain + rng.normal(0, read_noise, shape) + 100.0
    data = np.clip(np.rint(noisy), 0, full).astype(np.uint16)
    return Truth(data, *known)


def _scattered(
    rng: np.random.Generator,
    shape: tuple[int, int],
    stars: int,
    flux: tuple[float, float],
    separation: float,
    border: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    height, width = shape
    xs: list[float] = []
    ys: list[float] = []
    for _ in range(100 * stars):
        if len(xs) == stars:
            break
        x, y = rng.uniform(border, width - 1 - border), rng.uniform(border, height - 1 - border)
        if all((x - a) ** 2 + (y - b) ** 2 >= separation**2 for a, b in zip(xs, ys, strict=True)):
            xs.append(x)
            ys.append(y)
    light = np.exp(rng.uniform(np.log(flux[0]), np.log(flux[1]), len(xs)))
    return np.array(xs), np.array(ys), light
