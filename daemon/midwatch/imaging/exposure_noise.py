"""How long to expose, and what comes of it: read noise, sky, signal to noise.

Pure formulas of the noise of a sensor under the sky. Rates are electrons a second in one pixel,
noises electrons of one pixel and one frame.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "gain_and_read_noise",
    "pair_noise",
    "shortest_sub_s",
    "signal_to_noise",
    "sky_rate_e_s",
    "stack_noise_ratio",
    "time_to_snr_s",
]

_MAD_TO_SIGMA = 1.482602218505602  # 1 / (sqrt 2 erfinv 1/2), of a normal distribution


def shortest_sub_s(read_noise_e: float, sky_e_s: float, noise_rise: float = 0.05) -> float:
    """Return the exposure of a frame from which on read noise hardly matters.

    t = R^2 / (P ((1 + p)^2 - 1)): there the noise of sky and read-out together is (1 + p) times
    that of the sky alone. It follows from adding the two variances.

    Args:
        read_noise_e: R.
        sky_e_s: P; dark current adds to it.
        noise_rise: p, the share by which read noise may raise the noise of the stack.

    Returns:
        Seconds; infinite without sky, 0 without read noise.

    Raises:
        ValueError: a negative noise or rate, or a rise not above 0.
    """
    _not_negative(read_noise_e=read_noise_e, sky_e_s=sky_e_s)
    if not noise_rise > 0.0:
        raise ValueError(f"the accepted rise of the noise must be above 0, not {noise_rise:g}")
    if read_noise_e == 0.0:
        return 0.0
    if sky_e_s == 0.0:
        return math.inf
    return read_noise_e**2 / (sky_e_s * ((1.0 + noise_rise) ** 2 - 1.0))


def stack_noise_ratio(read_noise_e: float, sky_e_s: float, total_s: float, frames: int) -> float:
    """Return the noise of a stack over that of one without any read noise, at least 1.

    sqrt(1 + N R^2 / (P T)), for N frames that share T seconds.

    Raises:
        ValueError: no sky, no time or no frame.
    """
    _not_negative(read_noise_e=read_noise_e)
    if sky_e_s <= 0.0 or total_s <= 0.0 or frames < 1:
        raise ValueError("a stack needs sky, time and at least one frame")
    return math.sqrt(1.0 + frames * read_noise_e**2 / (sky_e_s * total_s))


def signal_to_noise(
    signal_e_s: float,
    sky_e_s: float,
    dark_e_s: float,
    read_noise_e: float,
    pixels: float,
    exposure_s: float,
    frames: int = 1,
) -> float:
    """Return the signal-to-noise ratio of a source summed over pixels and frames.

    The CCD equation (Howell, Handbook of CCD Astronomy, chapter 4; recalled from memory):
    S t sqrt(N) / sqrt(S t + n (B t + D t + R^2)).

    Args:
        signal_e_s: S, of the source in all pixels together.
        sky_e_s: B, of one pixel; dark_e_s, read_noise_e likewise.
        dark_e_s: D.
        read_noise_e: R.
        pixels: n, over which the source is summed; need not be whole.
        exposure_s: t, of one frame.
        frames: N.

    Returns:
        The ratio; 0 without signal or time.

    Raises:
        ValueError: a negative argument.
    """
    _not_negative(
        signal_e_s=signal_e_s, sky_e_s=sky_e_s, dark_e_s=dark_e_s, read_noise_e=read_noise_e,
        pixels=pixels, exposure_s=exposure_s, frames=frames,
    )  # fmt: skip
    signal_e = signal_e_s * exposure_s
    if signal_e == 0.0 or frames == 0:
        return 0.0
    variance = signal_e + pixels * ((sky_e_s + dark_e_s) * exposure_s + read_noise_e**2)
    return signal_e * math.sqrt(frames) / math.sqrt(variance)


def time_to_snr_s(
    snr: float,
    signal_e_s: float,
    sky_e_s: float,
    dark_e_s: float,
    read_noise_e: float,
    pixels: float,
) -> float:
    """Return the single exposure in which a source reaches a signal-to-noise ratio.

    The positive root of `signal_to_noise` for t; infinite without signal.

    Raises:
        ValueError: a negative argument.
    """
    _not_negative(
        snr=snr, signal_e_s=signal_e_s, sky_e_s=sky_e_s, dark_e_s=dark_e_s,
        read_noise_e=read_noise_e, pixels=pixels,
    )  # fmt: skip
    if signal_e_s == 0.0:
        return math.inf
    half = snr**2 * (signal_e_s + pixels * (sky_e_s + dark_e_s)) / 2.0
    rest = snr**2 * pixels * read_noise_e**2
    return (half + math.sqrt(half**2 + signal_e_s**2 * rest)) / signal_e_s**2


def sky_rate_e_s(
    background_adu: float,
    pedestal_adu: float,
    electrons_per_adu: float,
    exposure_s: float,
    dark_e_s: float = 0.0,
) -> float:
    """Return what the sky gave a pixel in a frame; never negative.

    Raises:
        ValueError: no exposure time, or no electrons for an ADU.
    """
    if exposure_s <= 0.0 or electrons_per_adu <= 0.0:
        raise ValueError("a rate needs an exposure time and electrons for an ADU above 0")
    light_e = (background_adu - pedestal_adu) * electrons_per_adu
    return max(0.0, light_e / exposure_s - dark_e_s)


def gain_and_read_noise(
    flat_means_adu: tuple[float, float],
    bias_means_adu: tuple[float, float],
    flat_difference_variance_adu2: float,
    bias_difference_variance_adu2: float,
) -> tuple[float, float]:
    """Return electrons per ADU and read noise in electrons, by two flats and two bias frames.

    g = (F1 + F2 - B1 - B2) / (var(F1 - F2) - var(B1 - B2)), R = g sd(B1 - B2) / sqrt 2 (Janesick;
    Howell, Handbook of CCD Astronomy, chapter 4; recalled from memory). Differences of two frames
    cancel whatever pattern both have.

    Raises:
        ValueError: the flats are no noisier than the bias frames, or no brighter.
    """
    light = sum(flat_means_adu) - sum(bias_means_adu)
    shot = flat_difference_variance_adu2 - bias_difference_variance_adu2
    if light <= 0.0 or shot <= 0.0 or bias_difference_variance_adu2 < 0.0:
        raise ValueError("flats must be brighter and noisier than bias frames")
    gain = light / shot
    return gain, gain * math.sqrt(bias_difference_variance_adu2 / 2.0)


def pair_noise(one: NDArray[np.uint16], other: NDArray[np.uint16]) -> float:
    """Return the noise of one frame, in ADU, by the difference of two alike ones.

    The deviation of what lies within five robust deviations of the median, over sqrt 2: hot pixels
    and cosmic rays do not count.

    Raises:
        ValueError: the frames differ in shape, or are empty.
    """
    if one.shape != other.shape or one.size == 0:
        raise ValueError(f"frames of {one.shape} and {other.shape} make no pair")
    difference = one.astype(np.int32) - other.astype(np.int32)
    centred = np.abs(difference - np.median(difference))
    # Whole numbers hide a small deviation from the median: nothing within 5 ADU is left out.
    reach = 5.0 * max(_MAD_TO_SIGMA * float(np.median(centred)), 1.0)
    return float(np.std(difference[centred <= reach])) / math.sqrt(2.0)


def _not_negative(**values: float) -> None:
    for name, value in values.items():
        if not value >= 0.0:
            raise ValueError(f"{name} must not be negative, and is {value:g}")
