"""Stars in a frame: where they are, how sharp, how round, on what background.

Pixels are counted from zero at the centre of the first pixel, x along a row, y along a column.
All lengths are in pixels of the frame as it was read out, also where a colour mosaic was
measured on its cells of 2x2. The half-flux radius is the radius of the circle, about the
centroid, that holds half of the light; it is not the flux-weighted mean radius, which reads 6
percent more on a Gaussian.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.frame import Frame, brightest_of, full_share, luminance
from midwatch.imaging.stars.defects import (
    SHARPEST_PX,
    SKY_STEP,
    Bright,
    Light,
    without_defects,
)
from midwatch.imaging.stars.discs import disc_width_px, find_discs
from midwatch.imaging.stars.measures import StarMeasures, without_stars
from midwatch.imaging.stars.profile import MosaicStars, fit_fwhm
from midwatch.imaging.stars.shapes import Ellipse, StarShapes
from midwatch.imaging.stars.star_table import StarTable, bare_axes, median_and_scatter
from midwatch.imaging.stars.trails import find_trails
from midwatch.imaging.stars.zones import field_shape, sky_levels, zones_of

__all__ = ["StarMeasures", "StarTable", "measure_stars"]

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]

# Background cells: much smaller and a bloated star becomes background, much larger and a nebula
# or a gradient becomes stars.
_MESH_PX = 64
# A strip narrower than a star and its surroundings holds nothing to measure.
_SMALLEST_SIDE_PX = 10
# Fewer pixels than this above the threshold are noise or a hot pixel.
_SMALLEST_AREA_PX = 5
# The brightest stars are enough for medians; more cost time on every frame of a rich field.
_MOST_STARS = 300
_FITTED_STARS = 20
# A point of light that passed through optics leaves less than this share of its light in one
# pixel (a Gaussian of sigma 0.5 px leaves 0.47); a defect of the sensor leaves nearly all.
_HOT_SHARE = 0.8
# Longer than this is the trail of a satellite; a star drawn out by a mount that lost its way is
# shorter, and must be seen.
_LONGEST = 8.0
# Of the measured width of stars: what is sharper than that is none. Higher: stars of the sharpest
# part of the field are lost; lower: tracks of two pixels' width pass.
_SHARPER = 0.8
# Stars of a frame have one size, defects all sizes: stars are where most sizes lie within this
# factor of each other.
_ONE_SIZE, _SIZE_SNR = 1.25, 15.0
# Change of the fit's cost at which a width is known well enough to compare with.
_ROUGHLY = 1e-4
# Of the light of a detection: when more is found to be too sharp, it was no star.
_MOST_LOST = 0.4
# A neighbour with less than this share of a star's light does not change its radius by a percent.
_FAINT_NEIGHBOUR = 0.02
# With more of the stars than this touched by neighbours the field counts as crowded, and some
# that look alone will be two in one: they read larger than the sharpest by more than this.
_CROWDED_SHARE, _TWO_IN_ONE = 0.3, 1.2
# With fewer stars alone than this all are judged, touched or not.
_FEWEST_ALONE = 8
# Narrower than this a star on a mosaic is mostly in one cell of 2x2 px, whose width says little.
_COARSE_FWHM_PX = 3.0
# Variance that one pixel's width adds to a profile along each axis.
_PIXEL_VARIANCE = 1.0 / 12.0
_GAUSS_HFR, _FWHM = 1.1774100225154747, 2.3548200450309493


def measure_stars(
    frame: Frame,
    *,
    scale_arcsec: float | None = None,
    threshold_sigma: float = 5.0,
    smallest_area_px: int = _SMALLEST_AREA_PX,
) -> StarMeasures:
    """Find and measure the stars of a frame.

    Args:
        frame: The raw frame.
        scale_arcsec: Arcseconds a frame pixel, for the width on the sky.
        threshold_sigma: Height above the background, in standard deviations of a pixel.
        smallest_area_px: Connected pixels above the threshold that make a star.

    Returns:
        The measures. A frame without stars, of one value throughout, or full throughout gives a
        count of zero and NaN for what only stars can show; nothing is raised for its content.
    """
    import sep

    image, factor = luminance(frame)
    saturated_fraction = full_share(frame)
    if min(image.shape) < _SMALLEST_SIDE_PX:
        return without_stars(
            float(np.median(frame.data)), float(np.std(frame.data)), saturated_fraction
        )
    background = sep.Background(image, bw=_MESH_PX, bh=_MESH_PX)
    level, noise = float(background.globalback), float(background.globalrms)
    if not noise > 0.0 or saturated_fraction > 0.5:
        return without_stars(level, noise * factor, saturated_fraction)
    levels = sky_levels(image)
    before = image[::SKY_STEP, ::SKY_STEP].copy()
    background.subfrom(image)
    del background
    light = Light.of(frame, before, image, noise)
    mended = without_defects(light, image)
    light = light._replace(frame=mended.frame)
    found = _like_stars(_extract(image, noise, threshold_sigma, smallest_area_px))
    brightest = _table(light.frame, image, factor, noise, _brightest(found))
    frame, left = _no_sharper(light, mended.bright, image, found, brightest)
    if frame is not light.frame:
        found = left
        brightest = _table(frame, image, factor, noise, _brightest(found))
    trails = find_trails(image, factor)
    table, x_px, y_px, good, fwhm_px, common, shapes = _measured(
        frame, image, factor, found, brightest
    )
    hfr_px, scatter_px = median_and_scatter(table.hfr_px[good])
    return StarMeasures(
        count=len(x_px),
        good_count=len(good),
        hfr_px=hfr_px,
        hfr_scatter_px=scatter_px,
        fwhm_px=fwhm_px,
        fwhm_arcsec=fwhm_px * scale_arcsec if scale_arcsec is not None else float("nan"),
        elongation=common.ratio,
        elongation_deg=common.angle_deg,
        background_adu=level,
        noise_adu=noise * factor,
        saturated_count=int(np.count_nonzero(table.saturated)),
        saturated_fraction=saturated_fraction,
        stars=table,
        gradient_x_adu=levels.gradient_x_adu,
        gradient_y_adu=levels.gradient_y_adu,
        zones=zones_of(shapes, table, x_px, y_px, frame.data.shape, levels),
        field=field_shape(table, frame.data.shape),
        trails=trails,
    )


class _Measured(NamedTuple):
    """Stars with their sizes.

    Attributes:
        table: the brightest of them.
        x_px, y_px: places of all that were found, or of the discs far out of focus.
        good: rows of the table that sharpness is judged by.
        fwhm_px: their common width, of pixels of the frame.
        common: the shape that they share.
        shapes: what says which shape some of them share.
    """

    table: StarTable
    x_px: FloatArray
    y_px: FloatArray
    good: NDArray[np.intp]
    fwhm_px: float
    common: Ellipse
    shapes: StarShapes


def _measured(
    frame: Frame, image: Image, factor: int, found: NDArray[np.void], table: StarTable
) -> _Measured:
    shift = (factor - 1) / 2.0
    x_px, y_px = found["x"] * factor + shift, found["y"] * factor + shift
    table = replace(table, good=_unspoiled(table, _brightest(found), found))
    good = np.flatnonzero(table.good)
    if (discs := find_discs(frame, table)) is not None:
        good = np.arange(len(discs))
        shapes = StarShapes(frame, image, discs)
        fwhm_px = disc_width_px(float(np.median(discs.hfr_px)))
        common = shapes.common(good)
        return _Measured(discs, discs.x_px, discs.y_px, good, fwhm_px, common, shapes)
    shapes = StarShapes(frame, image, table)
    common = shapes.common(good)
    fwhm_px, table = _widths(frame, table, good, image, common)
    return _Measured(table, x_px, y_px, good, fwhm_px, common, shapes.corrected(table))


def _extract(
    image: Image, noise: float, threshold_sigma: float, smallest_area_px: int
) -> NDArray[np.void]:
    """Return the detections; a frame too full of light is searched for its peaks only."""
    import sep

    threshold = threshold_sigma
    while True:
        try:
            # A star out of focus is a ring, which deblending would break into pieces.
            found: NDArray[np.void] = sep.extract(
                image, threshold, err=noise, minarea=smallest_area_px, deblend_cont=1.0
            )
        except Exception as error:
            # The library reports its full buffer as a bare Exception.
            if "pixel buffer" not in str(error):
                raise
            threshold *= 3.0
        else:
            return found


def _like_stars(found: NDArray[np.void]) -> NDArray[np.void]:
    """Leave out sensor defects and what is much longer than wide."""
    light = np.maximum(found["flux"], 1e-12)
    long_axis, short_axis = found["a"], np.maximum(found["b"], 1e-6)
    finite = np.isfinite(found["x"]) & np.isfinite(found["y"]) & (found["flux"] > 0)
    points = finite & (found["peak"] / light < _HOT_SHARE) & (long_axis / short_axis < _LONGEST)
    stars: NDArray[np.void] = found[points]
    return stars


def _brightest(found: NDArray[np.void]) -> NDArray[np.void]:
    """Return the detections that are measured, brightest first."""
    chosen: NDArray[np.void] = found[np.argsort(-found["flux"], kind="stable")[:_MOST_STARS]]
    return chosen


def _no_sharper(
    light: Light, bright: Bright, image: Image, found: NDArray[np.void], table: StarTable
) -> tuple[Frame, NDArray[np.void]]:
    """Take out what is sharper than the stars of the frame: tracks and groups of hot pixels.

    Returns:
        The frame without it, the same one where there is nothing, and the detections that are
        left; the image is corrected in place.
    """
    from scipy.spatial import KDTree

    sigma_px = _star_sigma_px(light.frame, image, table)
    if not _SHARPER * sigma_px > SHARPEST_PX:
        return light.frame, found
    mended = without_defects(light, image, _SHARPER * sigma_px, bright)
    if len(mended.light) == 0:
        return light.frame, found
    places = np.stack((mended.column, mended.row), axis=1)
    _, nearest = KDTree(np.stack((found["x"], found["y"]), axis=1)).query(places)
    # What has lost most of its light was no star; a star with a defect on it is one again.
    lost = np.bincount(nearest, mended.light, len(found))
    kept: NDArray[np.void] = found[lost < _MOST_LOST * found["flux"]]
    return mended.frame, kept


def _star_sigma_px(frame: Frame, image: Image, table: StarTable) -> float:
    """Return the standard deviation of the frame's stars across, in its pixels; NaN without."""
    sure = np.flatnonzero(table.good & (table.snr >= _SIZE_SNR) & (table.hfr_px > 0.0))
    if len(sure) == 0:
        return float("nan")
    stars = sure[_of_one_size(table.hfr_px[sure])]
    chosen = np.sort(stars)[:_FITTED_STARS]
    x, y, size = table.x_px[chosen], table.y_px[chosen], table.hfr_px[chosen]
    if frame.bayer is None:
        fwhm_px = fit_fwhm(image, x, y, size, table.flux_adu[chosen], good_to=_ROUGHLY)
    else:
        fwhm_px, _ = MosaicStars(frame, x, y, size).fit(good_to=_ROUGHLY)
    # Stars that are drawn out are sharper across than along.
    return fwhm_px / _FWHM / float(np.sqrt(np.median(table.axis_ratio[stars])))


def _of_one_size(sizes: FloatArray) -> NDArray[np.intp]:
    """Return which sizes lie closest together; of equally many the larger ones."""
    order = np.argsort(sizes, kind="stable")
    ranked = sizes[order]
    ends = np.searchsorted(ranked, ranked * _ONE_SIZE, side="right")
    count = ends - np.arange(len(ranked))
    first = len(count) - 1 - int(np.argmax(count[::-1]))
    chosen: NDArray[np.intp] = order[first : ends[first]]
    return chosen


def _table(
    frame: Frame, image: Image, factor: int, noise: float, found: NDArray[np.void]
) -> StarTable:
    import sep

    if len(found) == 0:
        return StarTable()
    x, y = found["x"], found["y"]
    reach = _aperture(found)
    flux, _, _ = sep.sum_circle(image, x, y, reach, subpix=5)
    # Where a neighbour or the background spoils the wide aperture, the detection's own sum is used.
    flux = np.where(flux > 0.5 * found["flux"], flux, found["flux"])
    radius, flag = sep.flux_radius(image, x, y, reach, 0.5, normflux=flux, subpix=5)
    radius = np.sqrt(np.maximum(radius**2 - 2.0 * _PIXEL_VARIANCE * _GAUSS_HFR**2, 0.0))
    hfr = np.where((flag == 0) & (radius > 0), radius * factor, np.nan)
    peak = _window_peak(frame, x, y)
    saturated = peak >= frame.saturation_adu
    whole = (found["flag"] & (sep.OBJ_TRUNC | sep.OBJ_SINGU)) == 0
    centre_shift = (factor - 1) / 2.0
    long_axis, short_axis = bare_axes(found)
    return StarTable(
        x_px=x * factor + centre_shift,
        y_px=y * factor + centre_shift,
        flux_adu=flux * factor**2,
        peak_adu=peak.astype(np.float64),
        hfr_px=hfr,
        axis_ratio=long_axis / short_axis,
        angle_deg=np.degrees(found["theta"]),
        snr=found["peak"].astype(np.float64) / noise,
        saturated=saturated,
        good=whole & ~saturated & np.isfinite(hfr),
    )


def _unspoiled(
    table: StarTable, found: NDArray[np.void], every: NDArray[np.void]
) -> NDArray[np.bool_]:
    """Return which stars are good and have their aperture to themselves, shape (N,).

    Args:
        table: The measured stars.
        found: Their detections, in the same order.
        every: All detections of the frame.
    """
    from scipy.spatial import KDTree

    good = table.good
    if np.count_nonzero(good) <= _FEWEST_ALONE:
        return good
    tree = KDTree(np.stack((every["x"], every["y"]), axis=1))
    reach = _aperture(found)
    places = np.stack((found["x"], found["y"]), axis=1)
    near = tree.query_ball_point(places, reach + 2.0)
    alone = np.array(
        [
            float(every["flux"][index].sum()) - flux <= _FAINT_NEIGHBOUR * flux
            for index, flux in zip(near, found["flux"], strict=True)
        ]
    )
    crowded = np.count_nonzero(good & ~alone) > _CROWDED_SHARE * np.count_nonzero(good)
    if np.count_nonzero(good & alone) >= _FEWEST_ALONE:
        good = good & alone
    if crowded:
        sharpest = float(np.quantile(table.hfr_px[good], 0.1))
        good = good & (table.hfr_px <= _TWO_IN_ONE * sharpest)
    return good


def _aperture(found: NDArray[np.void]) -> FloatArray:
    """Radius within which the light of each detection is summed."""
    radius: FloatArray = np.clip(6.0 * found["a"], 4.0, 60.0)
    return radius


def _window_peak(frame: Frame, x: FloatArray, y: FloatArray) -> NDArray[np.uint16]:
    """Return the brightest raw pixel under the 5x5 of the image around each place, shape (N,)."""
    offsets = np.arange(-2, 3)
    rows = np.rint(y).astype(np.intp)[:, None] + offsets
    columns = np.rint(x).astype(np.intp)[:, None] + offsets
    peak: NDArray[np.uint16] = brightest_of(frame, rows[:, :, None], columns[:, None, :]).max(
        axis=(1, 2)
    )
    return peak


def _widths(
    frame: Frame, table: StarTable, good: NDArray[np.intp], image: Image, common: Ellipse
) -> tuple[float, StarTable]:
    """Return how wide the good stars are; a round profile is fitted where none is bright.

    Returns:
        Their full width at half maximum in pixels of the frame, and the table, with half-flux
        radii brought to that of the fit where a mosaic's cells are too coarse to give them, and
        places corrected for where in its cells the light falls.
    """
    hfr = table.hfr_px[good]
    ordinary = good[np.abs(hfr - np.median(hfr)) <= 0.5 * np.median(hfr)] if len(good) else good
    chosen = ordinary[:_FITTED_STARS]
    x, y, size = table.x_px[chosen], table.y_px[chosen], table.hfr_px[chosen]
    fwhm_px, hfr_px = common.fwhm_px, common.hfr_px
    if frame.bayer is None:
        if not np.isfinite(fwhm_px):
            fwhm_px = fit_fwhm(image, x, y, size, table.flux_adu[chosen])
        return fwhm_px, table
    cells = MosaicStars(frame, x, y, size)
    if not np.isfinite(fwhm_px):
        fwhm_px, hfr_px = cells.fit()
    # A cell's light does not come from its middle where one of its pixels has most of it.
    light = cells.light
    table = replace(
        table,
        x_px=table.x_px + 0.5 * (light[:, 1].sum() - light[:, 0].sum()),
        y_px=table.y_px + 0.5 * (light[1].sum() - light[0].sum()),
    )
    if fwhm_px < _COARSE_FWHM_PX:
        table = replace(table, hfr_px=table.hfr_px * (hfr_px / float(np.median(hfr))))
    return fwhm_px, table
