"""The true sky on the sensor: stars, galaxies and nebulae, glow, as expected electrons."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from midwatch.sky.catalogues import extended_near
from midwatch_simulators.sky.sensor import Image, Sensor
from midwatch_simulators.sky.star_field import stars_near
from midwatch_simulators.sky.star_image import Psf, psf_of
from midwatch_simulators.sky.view import SkyView, orientation

FloatArray = NDArray[np.float64]

_FAINT_SHARE = 0.3  # stars whose peak is below this share of the noise are not drawn
_EDGE_SHARE = 0.2  # a stamp ends where it falls below this share of the noise
# A star of this colour looks white; one redder by the range gives red pixels half as much again and
# blue ones half as much. Common practice, no source.
_WHITE_BP_RP, _BP_RP_RANGE = 0.9, 1.2
_MOST_COLOUR = {"R": 0.5, "G": 0.0, "B": -0.5}
_MOST_STARS = 12_000
_NEBULA_MAG_ARCSEC2 = 22.5  # of what has no magnitude in the catalogue; common practice
_MOST_SHAPES = 40
_SMALLEST_SHAPE_PX = 2.0
_HALF_LIGHT_OF_DIAMETER = 0.25  # catalogue diameters reach four half-light radii, roughly


@dataclass(frozen=True)
class ChipStars:
    """Stars on the sensor as columns (N,), brightest first.

    Attributes:
        x_px: from the centre of the first pixel, along a row; y_px likewise along a column.
        electrons: whole light in the exposure, even response.
        redness: of their colour, -1 for the bluest to 1 for the reddest.
    """

    x_px: FloatArray
    y_px: FloatArray
    electrons: FloatArray
    redness: FloatArray


class Chart:
    """The gnomonic projection of the sky on the sensor."""

    def __init__(self, view: SkyView, sensor: Sensor) -> None:
        self._sensor = sensor
        self._middle = ((sensor.width_px - 1) / 2.0, (sensor.height_px - 1) / 2.0)
        ra, dec = math.radians(view.ra_deg), math.radians(view.dec_deg)
        # Rows: east, north and the axis itself.
        self._axes = np.array(
            [
                [-math.sin(ra), math.cos(ra), 0.0],
                [-math.sin(dec) * math.cos(ra), -math.sin(dec) * math.sin(ra), math.cos(dec)],
                [math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)],
            ]
        )
        per_radian = math.degrees(1.0) * 3600.0 / sensor.scale_arcsec
        self._turn = per_radian * orientation(view.rotation_deg, mirrored=sensor.options.mirrored)

    @property
    def radius_deg(self) -> float:
        """Half of the diagonal."""
        diagonal = math.hypot(self._sensor.width_px, self._sensor.height_px)
        half_arcsec = 0.5 * diagonal * self._sensor.scale_arcsec
        return math.degrees(math.atan(math.radians(half_arcsec / 3600.0)))

    def place(self, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return x and y, shape (N,), of unit vectors (N, 3); NaN behind the sky's back."""
        turned = directions @ self._axes.T
        ahead = turned[:, 2:]
        ahead[ahead <= 0.0] = np.nan
        pixels = turned[:, :2] / ahead @ self._turn.T
        return pixels[:, 0] + self._middle[0], pixels[:, 1] + self._middle[1]


def stars_on_chip(
    view: SkyView, sensor: Sensor, exposure_s: float, faintest_e: float, margin_px: float
) -> ChipStars:
    """Return the stars within a margin around the sensor that give at least so many electrons."""
    if not view.stars or faintest_e <= 0.0 or exposure_s <= 0.0:
        return ChipStars(*(np.empty(0) for _ in range(4)))
    chart = Chart(view, sensor)
    mag_limit = -2.5 * math.log10(faintest_e / (view.star_rate * exposure_s))
    margin_deg = margin_px * sensor.scale_arcsec / 3600.0
    field = stars_near(view.ra_deg, view.dec_deg, chart.radius_deg + margin_deg, mag_limit)
    x, y = chart.place(field.directions)
    inside = (x > -margin_px) & (x < sensor.width_px - 1 + margin_px)
    inside &= (y > -margin_px) & (y < sensor.height_px - 1 + margin_px)
    rows = np.flatnonzero(inside)[:_MOST_STARS]
    electrons = view.star_rate * exposure_s * 10.0 ** (-0.4 * field.mag[rows])
    if view.veil is not None:
        electrons *= view.veil.shares(field.directions[rows])
        seen = np.flatnonzero(electrons >= faintest_e)
        seen = seen[np.argsort(-electrons[seen], kind="stable")]
        rows, electrons = rows[seen], electrons[seen]
    redness = np.clip((field.bp_rp[rows] - _WHITE_BP_RP) / _BP_RP_RANGE, -1.0, 1.0)
    return ChipStars(x[rows], y[rows], electrons, redness)


def render(view: SkyView, sensor: Sensor, exposure_s: float, floor_e2: float) -> Image:
    """Return the expected electrons by light in each pixel, response applied, shape (H, W).

    Args:
        view: what the camera looks at.
        sensor: at its binning.
        exposure_s: how long.
        floor_e2: variance of a pixel without light, by which faint stars are left out.
    """
    sky_e = view.glow_e_s * exposure_s
    noise_e = math.sqrt(max(sky_e * sensor.mean_response + floor_e2, 0.25))
    psf = psf_of(view.blur)
    pad = psf.half_width
    canvas = np.full(
        (sensor.height_px + 2 * pad, sensor.width_px + 2 * pad), sky_e, dtype=np.float32
    )
    if view.stars:
        faintest_e = _FAINT_SHARE * noise_e / float(psf.reach[0])
        stars = stars_on_chip(view, sensor, exposure_s, faintest_e, float(pad - 1))
        _draw_stars(canvas, stars, psf, _EDGE_SHARE * noise_e)
        _draw_shapes(canvas[pad:-pad, pad:-pad], view, sensor, exposure_s, noise_e)
    light: Image = canvas[pad:-pad, pad:-pad] * sensor.response
    if view.stars and sensor.bayer is not None:
        _colour_stars(light, stars, psf, sensor, _EDGE_SHARE * noise_e)
    return light


def _colour_stars(light: Image, stars: ChipStars, psf: Psf, sensor: Sensor, edge_e: float) -> None:
    """Move light of red stars from the blue pixels of a mosaic to the red ones, or back."""
    assert sensor.bayer is not None
    pad = psf.half_width
    moved = np.zeros((light.shape[0] + 2 * pad, light.shape[1] + 2 * pad), dtype=np.float32)
    _draw_stars(moved, replace(stars, electrons=stars.electrons * stars.redness), psf, edge_e)
    moved = moved[pad:-pad, pad:-pad] * sensor.response
    for place, colour in enumerate(sensor.bayer):
        part = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        light[part] += np.float32(_MOST_COLOUR[colour]) * moved[part]


def _draw_stars(canvas: Image, stars: ChipStars, psf: Psf, edge_e: float) -> None:
    """Add stamps, in groups of equal size: as large as the star outshines `edge_e`."""
    pad, steps = psf.half_width, psf.steps
    fine_x = np.rint(stars.x_px * steps).astype(np.intp) + pad * steps
    fine_y = np.rint(stars.y_px * steps).astype(np.intp) + pad * steps
    column, phase_x = np.divmod(fine_x, steps)
    row, phase_y = np.divmod(fine_y, steps)
    needed = np.searchsorted(-psf.reach, -edge_e / np.maximum(np.abs(stars.electrons), 1e-9))
    flat = canvas.reshape(-1)
    sizes = sorted({min(size, pad) for size in (2, 4, 7, 11, 16, 24, 40, pad)})
    smaller = -1
    for size in sizes:
        group = np.flatnonzero((needed > smaller) & ((needed <= size) | (size == pad)))
        smaller = size
        if len(group) == 0:
            continue
        reach = np.arange(-size, size + 1)
        window = slice(pad - size, pad + size + 1)
        stamps = psf.stamps[:, :, window, window]
        # In parts, so that no group needs more than some megabytes at once.
        for part in np.array_split(group, 1 + len(group) * len(reach) ** 2 // 1_000_000):
            light = stamps[phase_y[part], phase_x[part]]
            light *= stars.electrons[part].astype(np.float32)[:, None, None]
            rows = (row[part, None] + reach)[:, :, None]
            index = rows * canvas.shape[1] + (column[part, None] + reach)[:, None, :]
            # A star on the outermost margin has pixels beyond the canvas.
            valid = (index >= 0) & (index < flat.size)
            np.add.at(flat, index[valid], light[valid])


def _draw_shapes(
    image: Image, view: SkyView, sensor: Sensor, exposure_s: float, noise_e: float
) -> None:
    """Add catalogue galaxies (exponential) and nebulae (Gaussian) as smooth ellipses."""
    chart = Chart(view, sensor)
    shapes = extended_near(view.ra_deg, view.dec_deg, chart.radius_deg + 0.5)
    rate = view.star_rate * exposure_s * (1.0 if view.veil is None else view.veil.middle_share)
    for shape in shapes[:_MOST_SHAPES]:
        major_px = float(shape["major_arcmin"]) * 60.0 / sensor.scale_arcsec
        minor_px = float(shape["minor_arcmin"]) * 60.0 / sensor.scale_arcsec
        if major_px < _SMALLEST_SHAPE_PX or minor_px <= 0.0:
            continue
        half_light = _HALF_LIGHT_OF_DIAMETER * major_px
        flat = minor_px / major_px
        mag = float(shape["magnitude"])
        if math.isnan(mag):
            area_arcsec2 = math.pi / 4.0 * major_px * minor_px * sensor.scale_arcsec**2
            mag = _NEBULA_MAG_ARCSEC2 - 2.5 * math.log10(area_arcsec2)
        galaxy = str(shape["kind"]).startswith(("galaxy", "pair", "triplet", "group"))
        # Half-light radius: 1.678 scale lengths of an exponential disc, 1.1774 sigma of a
        # Gaussian (closed forms).
        scale = half_light / (1.678 if galaxy else 1.1774)
        peak_e = rate * 10.0 ** (-0.4 * mag) / (2.0 * math.pi * scale * scale * flat)
        if peak_e < 0.02 * noise_e:
            continue
        drop = math.log(peak_e / (0.02 * noise_e))
        reach = scale * (drop if galaxy else math.sqrt(2.0 * drop))
        _add_ellipse(image, chart, shape, scale, flat, peak_e, reach, galaxy=galaxy)


def _add_ellipse(
    image: Image,
    chart: Chart,
    shape: np.void,
    scale_px: float,
    flat: float,
    peak_e: float,
    reach_px: float,
    *,
    galaxy: bool,
) -> None:
    angle = math.radians(float(shape["position_angle_deg"]))
    centre, ahead = _with_neighbour(float(shape["ra_deg"]), float(shape["dec_deg"]), angle)
    (x0, x1), (y0, y1) = chart.place(np.array([centre, ahead]))
    if not math.isfinite(x0 + y0 + x1 + y1):
        return
    left, right = max(0, int(x0 - reach_px)), min(image.shape[1], int(x0 + reach_px) + 2)
    low, high = max(0, int(y0 - reach_px)), min(image.shape[0], int(y0 + reach_px) + 2)
    if left >= right or low >= high:
        return
    length = math.hypot(x1 - x0, y1 - y0)
    cos, sin = (x1 - x0) / length, (y1 - y0) / length
    x = np.arange(left, right, dtype=np.float32)[None, :] - np.float32(x0)
    y = np.arange(low, high, dtype=np.float32)[:, None] - np.float32(y0)
    along = (x * np.float32(cos) + y * np.float32(sin)) / np.float32(scale_px)
    across = (y * np.float32(cos) - x * np.float32(sin)) / np.float32(scale_px * flat)
    squared = along * along + across * across
    exponent = -np.sqrt(squared) if galaxy else squared * np.float32(-0.5)
    image[low:high, left:right] += np.float32(peak_e) * np.exp(exponent)


def _with_neighbour(
    ra_deg: float, dec_deg: float, angle_rad: float
) -> tuple[FloatArray, FloatArray]:
    """Return a direction and one an arcminute from it at a position angle, as unit vectors."""
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    centre = np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    north = np.cross(centre, east)
    step = math.radians(1.0 / 60.0)
    ahead = centre + step * (math.sin(angle_rad) * east + math.cos(angle_rad) * north)
    return centre, ahead / np.linalg.norm(ahead)
