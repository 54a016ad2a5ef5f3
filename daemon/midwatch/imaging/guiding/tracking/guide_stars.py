"""Which stars of a guide frame to guide on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame
from midwatch.imaging.guiding.tracking.centroids import star_snr
from midwatch.imaging.guiding.tracking.hot_pixels import HotPixelMap
from midwatch.imaging.stars import StarTable, measure_stars

__all__ = ["GuideField", "find_guide_stars"]

FloatArray = NDArray[np.float64]

# A star without this signal to noise is lost at the first puff of cloud.
_LEAST_SNR = 8.0
# Another star within so many widths, or pixels, pulls the window over as seeing comes and goes;
# one fainter than this share does no harm.
_CLEAR_FWHM, _CLEAR_PX, _CLEAR_SHARE = 4.0, 10.0, 0.05
# Longer than the field's median star by this factor is two stars in one.
_LONGER = 1.4
# Wider or narrower than the field's median by more is a galaxy, or a defect of the sensor.
_SIZES = (0.55, 1.8)


def _none() -> FloatArray:
    return np.empty(0)


@dataclass(frozen=True, eq=False)
class GuideField:
    """Stars to guide on, best first; each column of shape (N,).

    Attributes:
        x_px: Centre along a row, from zero at the centre of the first pixel.
        y_px: Centre along a column.
        flux_adu: Light.
        snr: Signal to noise of the whole star.
        fwhm_px: Full width at half maximum that the stars of the field have in common.
        shape: Shape (H, W) of the frame.
    """

    x_px: FloatArray = field(default_factory=_none)
    y_px: FloatArray = field(default_factory=_none)
    flux_adu: FloatArray = field(default_factory=_none)
    snr: FloatArray = field(default_factory=_none)
    fwhm_px: float = float("nan")
    shape: tuple[int, int] = (0, 0)

    def __len__(self) -> int:
        return len(self.x_px)


def find_guide_stars(
    frame: Frame,
    *,
    most: int = 12,
    edge_px: int = 20,
    hot: HotPixelMap | None = None,
    gain_e_adu: float = 1.0,
) -> GuideField:
    """Choose guide stars: bright, single, not full, away from the edge, and no hot pixels.

    Args:
        frame: A frame of the guide camera.
        most: Stars wanted.
        edge_px: Least distance from each edge.
        hot: Pixels known to be hot; single ones are recognised by their shape even without.
        gain_e_adu: Electrons a unit of the pixels, for the signal to noise.

    Returns:
        The stars, highest signal to noise first; of length zero when there is none. Stars with a
        close neighbour are taken only when there is no other.
    """
    if hot is not None:
        frame = Frame(hot.clean(frame.data), frame.bayer, frame.saturation_adu)
    height, width = frame.data.shape
    measures = measure_stars(frame)
    table = measures.stars
    usable = table.good & (table.hfr_px > 0)
    if not usable.any():
        return GuideField(shape=(height, width))
    hfr = float(np.median(table.hfr_px[usable & _bright(table)]))
    fwhm = measures.fwhm_px if np.isfinite(measures.fwhm_px) else 2.0 * hfr
    # Widths of undersampled stars come out as nothing; a window must still hold the pixels.
    fwhm = max(fwhm, 1.2)
    snr = star_snr(
        table.flux_adu,
        np.full(len(table), measures.noise_adu),
        np.full(len(table), fwhm),
        gain_e_adu,
    )
    usable = (
        usable
        & (snr >= _LEAST_SNR)
        & _inside(table, (height, width), edge_px)
        & _alike(table, usable, hfr)
    )
    single = usable & ~_crowded(table, max(_CLEAR_FWHM * fwhm, _CLEAR_PX))
    chosen = np.flatnonzero(single if single.any() else usable)
    chosen = chosen[np.argsort(-snr[chosen], kind="stable")[:most]]
    return GuideField(
        table.x_px[chosen],
        table.y_px[chosen],
        table.flux_adu[chosen],
        snr[chosen],
        fwhm,
        (height, width),
    )


def _inside(table: StarTable, shape: tuple[int, int], edge_px: int) -> NDArray[np.bool_]:
    """Mark which stars keep their distance from the edges."""
    height, width = shape
    return (
        (table.x_px >= edge_px)
        & (table.x_px <= width - 1 - edge_px)
        & (table.y_px >= edge_px)
        & (table.y_px <= height - 1 - edge_px)
    )


def _alike(table: StarTable, usable: NDArray[np.bool_], hfr: float) -> NDArray[np.bool_]:
    """Mark which stars are as round and as large as the usable ones are."""
    ratio = float(np.median(table.axis_ratio[usable]))
    return (
        (table.axis_ratio <= max(_LONGER * ratio, _LONGER))
        & (table.hfr_px > _SIZES[0] * hfr)
        & (table.hfr_px < _SIZES[1] * hfr)
    )


def _bright(table: StarTable) -> NDArray[np.bool_]:
    """Mark the upper half of the good stars by light, whose sizes can be trusted."""
    bright: NDArray[np.bool_] = table.flux_adu >= np.median(table.flux_adu[table.good])
    return bright


def _crowded(table: StarTable, clear_px: float) -> NDArray[np.bool_]:
    """Mark stars with a neighbour that matters, shape (N,)."""
    distance = np.hypot(
        table.x_px[:, None] - table.x_px[None, :], table.y_px[:, None] - table.y_px[None, :]
    )
    np.fill_diagonal(distance, np.inf)
    matters = table.flux_adu[None, :] > _CLEAR_SHARE * table.flux_adu[:, None]
    crowded: NDArray[np.bool_] = np.any((distance < clear_px) & matters, axis=1)
    return crowded
