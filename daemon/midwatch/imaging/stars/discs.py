"""Stars so far out of focus that they are discs or rings, measured on a binned frame.

Seen pixel by pixel the disc of a faint star drowns in the noise but for fragments, which pass for
small stars. In pixels about a third of the disc's radius its light is together again. What sets a
disc apart from everything else that is wide: its light ends at an edge, so that nine tenths of it
lie within 1.34 of the half-flux radius (sqrt(0.9) over sqrt(0.5); 1.28 with a third of the diameter
obstructed, 1.82 for a Gaussian, more for a Moffat profile, galaxies and nebulae); it is round; and
all stars of a frame have the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame, luminance
from midwatch.imaging.stars.star_table import StarTable, bare_axes

__all__ = ["disc_width_px", "find_discs"]

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]

# So many stars, so far out of the noise and so small, cannot be fragments of discs.
_SHARP_STARS, _SHARP_SNR, _SHARP_HFR_PX = 8, 30.0, 4.0
# Frame pixels in one pixel of the binned images, coarsest first; sizes below what the last can
# resolve are measured better without binning.
_BINS = (16, 8, 4, 2)
# In pixels of the binned image. Smaller, and a sharp star looks like a disc of one pixel.
_SMALLEST_HFR = 2.4
_MESH, _SMALLEST_SIDE = 64, 24
_THRESHOLD_SIGMA, _SMALLEST_AREA = 2.5, 12
# Light over its own noise from which a shape can be seen.
_LEAST_SNR = 15.0
_WIDEST_EDGE, _LONGEST = 1.55, 1.35
# A disc's second moment along an axis is half of its radius; its light is summed to 1.5 of it.
_APERTURE = 3.0
# Discs of one frame have the same radius to this share; less: noise and tilt part them.
_SAME_SIZE = 0.2
# Of the sources bright enough to be judged so many have to be such discs.
_LEAST_SHARE = 0.5
_MOST_JUDGED = 30
# One alone may be a patch of nebula.
_FEWEST_DISCS = 2
# A star in focus that is full has a flat top, and an edge as a disc has.
_NEARLY_FULL = 0.9


def find_discs(frame: Frame, small: StarTable) -> StarTable | None:
    """Measure the stars of a frame as discs.

    Args:
        frame: The raw frame.
        small: What was found pixel by pixel: stars, or fragments of discs.

    Returns:
        The discs, brightest first; None where the frame does not consist of discs, or they are
        so small that they are better measured without binning.
    """
    sharp = small.good & (small.snr >= _SHARP_SNR) & (small.hfr_px < _SHARP_HFR_PX)
    sharp_count = int(np.count_nonzero(sharp))
    if sharp_count >= _SHARP_STARS:
        return None
    image, factor = luminance(frame)
    binned = {factor: image}
    for pixels in sorted(_BINS):
        if pixels > factor:
            binned[pixels] = _halved(binned[pixels // 2])
    for pixels in _BINS:
        if pixels >= factor and min(binned[pixels].shape) >= _SMALLEST_SIDE:
            found = _sources(binned[pixels], _NEARLY_FULL * frame.saturation_adu)
            chosen = _discs(found)
            if len(chosen) >= max(_FEWEST_DISCS, sharp_count + 1):
                return _table(pixels, found, chosen)
    return None


def disc_width_px(hfr_px: float) -> float:
    """Return the diameter of a uniform disc, half of whose light is within 0.7071 of its radius."""
    return 2.0 * math.sqrt(2.0) * hfr_px


def _halved(image: Image) -> Image:
    height, width = image.shape[0] // 2 * 2, image.shape[1] // 2 * 2
    result = image[0:height:2, 0:width:2] + image[1:height:2, 0:width:2]
    result += image[0:height:2, 1:width:2]
    result += image[1:height:2, 1:width:2]
    result *= np.float32(0.25)
    return result


@dataclass(frozen=True, eq=False)
class _Sources:
    """What stands out of a binned image; columns of shape (N,), brightest first."""

    x: FloatArray
    y: FloatArray
    flux: FloatArray
    hfr: FloatArray
    edge: FloatArray
    axis_ratio: FloatArray
    theta: FloatArray
    whole: NDArray[np.bool_]
    snr: FloatArray
    peak: FloatArray


def _sources(image: Image, full_adu: float) -> _Sources:
    import sep

    background = sep.Background(image, bw=_MESH, bh=_MESH)
    noise = max(float(background.globalrms), 1e-6)
    clean = image - background.back()
    found = sep.extract(
        clean, _THRESHOLD_SIGMA, err=noise, minarea=_SMALLEST_AREA, deblend_cont=1.0
    )
    found = found[np.isfinite(found["x"]) & np.isfinite(found["y"]) & (found["flux"] > 0)]
    found = found[np.argsort(-found["flux"], kind="stable")[:_MOST_JUDGED]]
    x, y = found["x"], found["y"]
    reach = np.maximum(_APERTURE * found["a"], 2.0)
    flux, _, _ = sep.sum_circle(clean, x, y, reach, subpix=5)
    flux = np.where(flux > 0.5 * found["flux"], flux, found["flux"])
    radii, _ = sep.flux_radius(clean, x, y, reach, [0.5, 0.9], normflux=flux, subpix=5)
    radii = radii.reshape(-1, 2)
    rim = 1.5 * radii[:, 0]
    whole = (x >= rim) & (y >= rim) & (x < image.shape[1] - rim) & (y < image.shape[0] - rim)
    peak = found["peak"] + background.globalback
    long_axis, short_axis = bare_axes(found)
    area = np.pi * np.maximum(radii[:, 1], 1.0) ** 2
    return _Sources(
        x, y, flux, radii[:, 0], radii[:, 1] / np.maximum(radii[:, 0], 1e-6),
        long_axis / short_axis, found["theta"],
        whole & (peak < full_adu), flux / (noise * np.sqrt(area)), peak,
    )  # fmt: skip


def _discs(found: _Sources) -> NDArray[np.intp]:
    """Return which sources are discs of one size; none unless that is what the frame shows."""
    judged = np.flatnonzero(found.whole & (found.snr >= _LEAST_SNR))
    like = judged[
        (found.edge[judged] < _WIDEST_EDGE)
        & (found.axis_ratio[judged] < _LONGEST)
        & (found.hfr[judged] >= _SMALLEST_HFR)
    ]
    if len(like) == 0:
        return like
    typical = float(np.median(found.hfr[like]))
    same = like[np.abs(found.hfr[like] / typical - 1.0) <= _SAME_SIZE]
    return same if len(same) >= _LEAST_SHARE * len(judged) else same[:0]


def _table(pixels: int, found: _Sources, chosen: NDArray[np.intp]) -> StarTable:
    shift = (pixels - 1) / 2.0
    x, y = found.x[chosen], found.y[chosen]
    return StarTable(
        x_px=x * pixels + shift,
        y_px=y * pixels + shift,
        flux_adu=found.flux[chosen] * pixels**2,
        peak_adu=found.peak[chosen],
        hfr_px=found.hfr[chosen] * pixels,
        axis_ratio=found.axis_ratio[chosen],
        angle_deg=np.degrees(found.theta[chosen]),
        snr=found.snr[chosen],
        saturated=np.zeros(len(chosen), dtype=np.bool_),
        good=np.ones(len(chosen), dtype=np.bool_),
        discs=True,
    )
