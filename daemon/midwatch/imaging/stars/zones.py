"""How stars and sky change across the frame: nine zones, tilt, curvature, gradient of the sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.stars.shapes import StarShapes
from midwatch.imaging.stars.star_table import StarTable, median_and_scatter

__all__ = ["FieldShape", "SkyLevels", "Zone", "field_shape", "sky_levels", "zones_of"]

FloatArray = NDArray[np.float64]

_SIDE = 3
# Cells of the sky along each side, a multiple of the zones'. Few: a star cluster counts as
# gradient; many: each cell's level is noisy.
_CELLS = 12
# Pixels of the sky that are looked at: enough for a level good to a hundredth of its noise.
_SKY_SAMPLES = 400_000
# Fainter stars say more about noise than of optics.
_FIELD_SNR = 20.0
# Four numbers are fitted; from fewer stars than this their errors mean nothing.
_FEWEST_STARS = 20
# Residuals beyond this many deviations count less (P. J. Huber 1964; 95 percent efficiency).
_HUBER = 1.345
_ROUNDS = 12
# Pixels of stars from which a zone's common shape is fitted: a few stars, as there are nine zones.
_SHAPE_SAMPLES = 1_000


@dataclass(frozen=True)
class Zone:
    """One of nine equal parts of the frame; NaN where its stars cannot show it.

    Attributes:
        row: 0 to 2 along y.
        column: 0 to 2 along x.
        count: Stars found in it.
        good_count: Stars whose sharpness was measured.
        hfr_px: Median half-flux radius.
        hfr_scatter_px: Robust standard deviation of one star's half-flux radius.
        elongation: Long over short axis common to its bright stars.
        elongation_deg: Direction of that axis from +x towards +y, -90 to 90.
        background_adu: Level of the sky.
    """

    row: int
    column: int
    count: int
    good_count: int
    hfr_px: float
    hfr_scatter_px: float
    elongation: float
    elongation_deg: float
    background_adu: float


@dataclass(frozen=True)
class FieldShape:
    """Tilt and curvature of the field as the sizes of stars show them; NaN with too few stars.

    Sizes are fitted by ``h0 + a u + b v + c (u^2 + v^2)``, with u and v counted from the middle of
    the frame and 1 in its corners. A tilted sensor that is focused in its middle makes stars grow
    on both sides and so shows as curvature; slightly out of focus it shows as tilt.

    Attributes:
        tilt_percent: How much larger stars are at one end of a diagonal than at the other, were
            the tilt along it: ``2 hypot(a, b) / h0``. Never negative, so that noise alone reads
            about its error.
        tilt_error_percent: Standard error.
        tilt_deg: Direction in which stars grow, from +x towards +y, -180 to 180.
        curvature_percent: How much larger stars are in the corners than in the middle, ``c / h0``.
        curvature_error_percent: Standard error.
    """

    tilt_percent: float = float("nan")
    tilt_error_percent: float = float("nan")
    tilt_deg: float = float("nan")
    curvature_percent: float = float("nan")
    curvature_error_percent: float = float("nan")


@dataclass(frozen=True, eq=False)
class SkyLevels:
    """The level of the sky across the frame.

    Attributes:
        zones_adu: Level of each zone, shape (3, 3).
        gradient_x_adu: Rise from the left edge to the right one, of a robust plane.
        gradient_y_adu: Rise from the first row to the last one.
    """

    zones_adu: FloatArray
    gradient_x_adu: float
    gradient_y_adu: float


def sky_levels(image: NDArray[np.float32]) -> SkyLevels:
    """Return the level of the sky, from a sample of pixels without those of stars.

    Args:
        image: Image with its background, shape (H, W).

    Returns:
        Levels and gradient; for an image smaller than 12 pixels a side one level and no gradient.
    """
    if min(image.shape) < _CELLS:
        only = float(np.median(image)) if image.size else float("nan")
        return SkyLevels(np.full((_SIDE, _SIDE), only), 0.0, 0.0)
    step = max(1, int(np.sqrt(image.size / _SKY_SAMPLES)))
    step = min(step, min(image.shape) // _CELLS)
    rows, columns = (side // (_CELLS * step) for side in image.shape)
    sample = image[: rows * _CELLS * step : step, : columns * _CELLS * step : step]
    cells = sample.reshape(_CELLS, rows, _CELLS, columns).swapaxes(1, 2)
    values = cells.reshape(_CELLS, _CELLS, -1)
    level = _medians(values)
    away = np.abs(values - level)
    spread = np.float32(1.4826) * _medians(away)
    sky = away <= np.float32(3.0) * np.maximum(spread, np.float32(0.5))
    # Counted from the level, so that four bytes a pixel are enough for the sum.
    beyond = np.where(sky, values - level, np.float32(0.0)).sum(axis=2, dtype=np.float64)
    levels = level[:, :, 0] + beyond / np.count_nonzero(sky, axis=2)
    across = (np.arange(_CELLS) + 0.5) / _CELLS
    v, u = np.meshgrid(across, across, indexing="ij")
    design = np.stack((np.ones(levels.size), u.ravel(), v.ravel()), axis=1)
    (_, along_x, along_y), _ = _robust_fit(design, levels.ravel())
    per_zone = _CELLS // _SIDE
    zones = np.median(
        levels.reshape(_SIDE, per_zone, _SIDE, per_zone).swapaxes(1, 2).reshape(_SIDE, _SIDE, -1),
        axis=2,
    )
    return SkyLevels(zones, float(along_x), float(along_y))


def _medians(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return medians along the last axis, which is kept with a length of one."""
    upper = values.shape[-1] // 2
    lower = (values.shape[-1] - 1) // 2
    ranked = np.partition(values, sorted({lower, upper}), axis=-1)
    middle: NDArray[np.float32] = np.float32(0.5) * (
        ranked[..., lower : lower + 1] + ranked[..., upper : upper + 1]
    )
    return middle


def zones_of(
    shapes: StarShapes,
    table: StarTable,
    x_px: FloatArray,
    y_px: FloatArray,
    shape: tuple[int, int],
    levels: SkyLevels,
) -> tuple[Zone, ...]:
    """Measure the nine zones, row by row.

    Args:
        shapes: What says which shape stars share.
        table: The measured stars.
        x_px: Where all stars are that were found, shape (N,), in pixels of the frame.
        y_px: The same along y.
        shape: Rows and columns of the frame.
        levels: Of the sky.
    """
    every = _zone_index(x_px, y_px, shape)
    measured = _zone_index(table.x_px, table.y_px, shape)
    zones = []
    for index in range(_SIDE**2):
        row, column = divmod(index, _SIDE)
        good = np.flatnonzero(table.good & (measured == index))
        hfr_px, scatter_px = median_and_scatter(table.hfr_px[good])
        common = shapes.common(good, _SHAPE_SAMPLES)
        zones.append(
            Zone(
                row=row,
                column=column,
                count=int(np.count_nonzero(every == index)),
                good_count=len(good),
                hfr_px=hfr_px,
                hfr_scatter_px=scatter_px,
                elongation=common.ratio,
                elongation_deg=common.angle_deg,
                background_adu=float(levels.zones_adu[row, column]),
            )
        )
    return tuple(zones)


def _zone_index(x_px: FloatArray, y_px: FloatArray, shape: tuple[int, int]) -> NDArray[np.intp]:
    row = np.clip(np.floor((y_px + 0.5) * _SIDE / shape[0]), 0, _SIDE - 1)
    column = np.clip(np.floor((x_px + 0.5) * _SIDE / shape[1]), 0, _SIDE - 1)
    index: NDArray[np.intp] = (row * _SIDE + column).astype(np.intp)
    return index


def field_shape(table: StarTable, shape: tuple[int, int]) -> FieldShape:
    """Fit tilt and curvature to the sizes of the good stars, robustly."""
    stars = np.flatnonzero(table.good & (table.snr >= _FIELD_SNR))
    if len(stars) < _FEWEST_STARS:
        return FieldShape()
    corner = 0.5 * float(np.hypot(*shape))
    u = (table.x_px[stars] - (shape[1] - 1) / 2.0) / corner
    v = (table.y_px[stars] - (shape[0] - 1) / 2.0) / corner
    design = np.stack((np.ones(len(stars)), u, v, u**2 + v**2), axis=1)
    if np.linalg.cond(design) > 1e3:
        return FieldShape()
    (centre, a, b, c), covariance = _robust_fit(design, table.hfr_px[stars])
    if not centre > 0.0:
        return FieldShape()
    size = float(np.hypot(a, b))
    way = np.array((a, b)) / size if size > 0.0 else np.array((1.0, 0.0))
    tilt_error = 2.0 * float(np.sqrt(way @ covariance[1:3, 1:3] @ way))
    return FieldShape(
        tilt_percent=float(200.0 * size / centre),
        tilt_error_percent=100.0 * tilt_error / float(centre),
        tilt_deg=float(np.degrees(np.arctan2(b, a))),
        curvature_percent=float(100.0 * c / centre),
        curvature_error_percent=float(100.0 * np.sqrt(covariance[3, 3]) / centre),
    )


def _robust_fit(design: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit by reweighted least squares after Huber; return coefficients and their covariance."""
    weight: FloatArray = np.ones(len(values))
    normal, coefficients = design.T @ design, np.zeros(design.shape[1])
    sigma = 0.0
    for _ in range(_ROUNDS):
        weighted = design * weight[:, None]
        normal = weighted.T @ design
        coefficients = np.asarray(np.linalg.solve(normal, weighted.T @ values), np.float64)
        residual = np.abs(values - design @ coefficients)
        sigma = 1.4826 * float(np.median(residual))
        if sigma <= 0.0:
            break
        weight = np.asarray(np.minimum(1.0, _HUBER * sigma / np.maximum(residual, 1e-12)))
    covariance = np.asarray(sigma**2 * np.linalg.inv(normal), np.float64)
    return coefficients, covariance
