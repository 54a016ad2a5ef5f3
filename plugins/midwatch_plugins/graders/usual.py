"""What a light frame should show, by the night's other frames of the same kind.

The sky changes in ways that spoil nothing: a target sinks, the Moon rises, the air grows restless.
So each other frame is first carried over to the altitude, noise and star size of the frame in
question; what is left of the difference is cloud, defocus or stray light.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from midwatch.api.grader import LightFrame

# Fewer frames make no baseline: with one spoilt among them the median would move.
ENOUGH = 5
# Magnitudes by one air mass in a broad band near sea level. Common practice, no source.
_EXTINCTION_MAG = 0.2
# Dex of stars by a magnitude of depth: 2.4 times as many where the field is rich, less than half of
# that where a telescope has seen through the disc of the Galaxy, or all that can be separated. Of
# the two that one is taken which lets expect fewer stars. Common practice, no source. A gain set
# too high finds cloud where a target climbs; a loss set too low, where it sinks.
_LOST_DEX_PER_MAG, _GAINED_DEX_PER_MAG = math.log10(2.4), 0.17
# Kolmogorov turbulence: star width grows with the air mass to this power (Fried 1966; from memory).
_SEEING_POWER = 0.6
# Half-flux radius of the 3x3 kernel (1 2 1 twice) with which stars are searched for: 1.1774 times
# its deviation. A star sharper than that gains little by being sharper still.
_KERNEL_HFR_PX = 1.1774 * math.sqrt(0.5)
# The background follows twilight and lamps that no model knows: only the latest frames count.
_LATEST = 5
# Cloud only takes stars: the better frames show what a clear sky gives. Higher: a few moments of
# rare clarity condemn an ordinary night; at the median half a night of thin cloud passes for clear.
_CLEAR_QUANTILE = 0.75
_MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class Usual:
    """What to expect of a frame, and the relative scatter of the frames that say so.

    None where fewer than `ENOUGH` frames are usable.
    """

    stars: float | None
    stars_scatter: float
    hfr_px: float | None
    hfr_scatter: float
    background_adu: float | None
    solved_share: float


def usual_for(light: LightFrame, others: Sequence[LightFrame]) -> Usual:
    """Carry the other frames over to the circumstances of one frame."""
    stars, stars_scatter = _level_of(others, lambda other: _stars(light, other), _CLEAR_QUANTILE)
    hfr, hfr_scatter = _level_of(others, lambda other: _hfr_px(light, other))
    nearest = sorted(others, key=lambda other: abs(other.began_utc_s - light.began_utc_s))
    level, _ = _level_of(nearest[:_LATEST], lambda other: _background_adu(light, other))
    solved = sum(other.offset_arcsec is not None for other in others)
    return Usual(
        stars, stars_scatter, hfr, hfr_scatter, level, solved / len(others) if others else 0.0
    )


def depth_change_mag(light: LightFrame, other: LightFrame) -> float:
    """Return how much deeper one frame should reach than another under an equally clear sky.

    The faintest star rises out of the noise of the pixels under it: a longer exposure gathers more
    of it, more air dims it, noise and width drown it. What was not measured in both is left out;
    where that is the noise, it is taken for that of the sky, growing with the root of the time.
    """
    known = bool(light.noise_adu and other.noise_adu)
    deeper = (2.5 if known else 1.25) * math.log10(light.exposure_s / other.exposure_s)
    if light.airmass is not None and other.airmass is not None:
        deeper -= _EXTINCTION_MAG * (light.airmass - other.airmass)
    if light.noise_adu and other.noise_adu:
        deeper -= 2.5 * math.log10(light.noise_adu / other.noise_adu)
    if light.hfr_px and other.hfr_px:
        kernel = _KERNEL_HFR_PX
        width = math.hypot(light.hfr_px, kernel) / math.hypot(other.hfr_px, kernel)
        deeper -= 2.5 * math.log10(width)
    return deeper


def _stars(light: LightFrame, other: LightFrame) -> float | None:
    if not other.stars:
        return None
    deeper = depth_change_mag(light, other)
    slope = _GAINED_DEX_PER_MAG if deeper > 0.0 else _LOST_DEX_PER_MAG
    return other.stars * math.pow(10.0, slope * deeper)


def _hfr_px(light: LightFrame, other: LightFrame) -> float | None:
    if other.hfr_px is None or light.airmass is None or other.airmass is None:
        return other.hfr_px
    # Optics and pixels do not sharpen with altitude: a higher frame is only asked to be no worse.
    lower = max(1.0, light.airmass / other.airmass)
    return other.hfr_px * math.pow(lower, _SEEING_POWER)


def _background_adu(light: LightFrame, other: LightFrame) -> float | None:
    if other.exposure_s != light.exposure_s:
        return None  # the share of it that is the camera's offset does not grow with the time
    if other.background_adu is None or light.sky_mag is None or other.sky_mag is None:
        return other.background_adu
    # A darker sky is not asked for: the site's own lights do not set with the Moon.
    return other.background_adu * max(1.0, math.pow(10.0, -0.4 * (light.sky_mag - other.sky_mag)))


def _level_of(
    others: Sequence[LightFrame],
    expected: Callable[[LightFrame], float | None],
    quantile: float = 0.5,
) -> tuple[float | None, float]:
    """Return a quantile of what frames let expect, and their robust relative scatter."""
    values = sorted(value for other in others if (value := expected(other)) is not None)
    if len(values) < ENOUGH:
        return None, 0.0
    middle = statistics.median(values)
    if middle <= 0.0:
        return None, 0.0
    spread = _MAD_TO_SIGMA * statistics.median(abs(value - middle) for value in values)
    place = quantile * (len(values) - 1)
    low = math.floor(place)
    high = min(low + 1, len(values) - 1)
    return values[low] + (place - low) * (values[high] - values[low]), spread / middle
