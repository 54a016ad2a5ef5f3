"""What measuring a rendered frame would give, without rendering it."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from midwatch.devices.contract.kinds import FrameFacts
from midwatch_simulators.base import shifted
from midwatch_simulators.sky.scene import ChipStars, stars_on_chip
from midwatch_simulators.sky.sensor import Sensor
from midwatch_simulators.sky.star_image import Blur, FloatArray, Psf, psf_of
from midwatch_simulators.sky.view import SkyView

# Detection as measuring does it: five joined pixels over five times the noise of a pixel, after
# smoothing with the kernel 1 2 1, 2 4 2, 1 2 1.
_THRESHOLD_SIGMA, _AREA_PX = 5.0, 5
# Shapes are read on stars whose peak is so far above the noise.
_SHAPE_SNR = 50.0
_ROUNDS = 60
# What is drawn out longer than this is no ellipse any more; a fit whose wings are free and in which
# what does not agree counts less reads it shorter by this share (seen on rendered frames).
_LONG, _LONG_SHORTER = 1.7, 0.19
_SOLVABLE_STARS = 8
# Square of the radius by which pixels widen what is measured: summing whole pixels spreads the
# light once more by their width, and the usual correction takes off that much.
_PIXEL_HFR2 = 0.05
_CELL_HFR2 = -0.043  # what is taken off too much for each further pixel of a cell
_PIXEL_FWHM2 = 8.0 * math.log(2.0) / 12.0  # of a Gaussian of a pixel's variance
# Of the stars above the threshold these are found alone; in rich fields more of them touch.
_FOUND_SHARE, _FOUND_ALONE = 0.83, 1.8e-5
# Fitting a peaked profile to a disc gives twice the half-flux radius.
_DISC_FWHM = 2.03
_PEAK_BETWEEN_PIXELS = 0.85  # a star lies off the centre of its brightest pixel on average


def facts_of(
    view: SkyView,
    sensor: Sensor,
    exposure_s: float,
    sensor_c: float,
    gain: int,
    offset: int,
    rng: np.random.Generator,
) -> FrameFacts:
    """Return facts that equal, within noise, what measuring the rendered frame would give."""
    cell = 2 if sensor.bayer else 1  # a mosaic is measured on cells of 2x2 pixels
    light_e = view.glow_e_s * exposure_s * sensor.mean_response
    dark_e = sensor.dark_e_s(sensor_c) * exposure_s
    noise_e = math.sqrt(light_e + dark_e + sensor.read_noise_e**2)
    per_adu = sensor.electrons_per_adu(gain)
    # Whole numbers add the variance 1/12 to what is read.
    noise_adu = math.hypot(noise_e / per_adu, math.sqrt(1.0 / 12.0))
    background_adu = min(
        sensor.pedestal_adu(offset) + (light_e + dark_e) / per_adu,
        float(sensor.saturation_adu(gain, offset)),
    )
    facts = FrameFacts(
        stars=0,
        hfr_px=None,
        fwhm_px=None,
        elongation=None,
        background_adu=round(background_adu + 0.01 * noise_adu * float(rng.standard_normal()), 2),
        noise_adu=round(noise_adu, 3),
    )
    if not view.stars or background_adu >= sensor.saturation_adu(gain, offset):
        return facts
    peak_share, detect_share, hfr_px, fwhm_px, elongation = _shape(view.blur, cell)
    binned_noise_e = noise_e * cell  # of the sum over a cell
    even = sensor.mean_response
    faintest_e = _THRESHOLD_SIGMA * binned_noise_e / (detect_share * even)
    stars = stars_on_chip(view, sensor, exposure_s, faintest_e, 0.0)
    count = len(stars.electrons)
    if count == 0:
        return facts
    found = _FOUND_SHARE * count / (1.0 + _FOUND_ALONE * count)
    full_e = (sensor.saturation_adu(gain, offset) - background_adu) * per_adu
    peak_e = stars.electrons * even * peak_share
    saturated = int(np.count_nonzero(peak_e * _PEAK_BETWEEN_PIXELS >= full_e))
    hfr_spread = 0.35 * hfr_px / math.sqrt(count)
    bright = np.count_nonzero(peak_e * cell >= _SHAPE_SNR * noise_e)
    measured = {
        "stars": max(1, round(found * (1.0 + 0.02 * float(rng.standard_normal())))),
        "hfr_px": round(abs(hfr_px + 0.3 * hfr_spread * float(rng.standard_normal())), 3)
        * sensor.binning,
        "fwhm_px": round(abs(fwhm_px * (1.0 + 0.01 * float(rng.standard_normal()))), 3)
        * sensor.binning,
        "elongation": round(max(1.0, elongation + 0.01 * float(rng.standard_normal())), 3)
        if bright
        else None,
        "saturated_stars": saturated,
    }
    return facts.model_copy(update=measured | _solved(view, sensor, stars, rng))


def _solved(
    view: SkyView, sensor: Sensor, stars: ChipStars, rng: np.random.Generator
) -> dict[str, float]:
    """Return what plate solving would add, with its noise; nothing where stars are too few."""
    east, north, turn, stretch = (float(value) for value in rng.standard_normal(4))
    count = len(stars.electrons)
    if count < _SOLVABLE_STARS:
        return {}
    # A tenth of a pixel for each star, averaged over those that match.
    error_arcsec = 0.1 * sensor.scale_arcsec / math.sqrt(min(count, 60))
    ra_deg, dec_deg = shifted(view.ra_deg, view.dec_deg, error_arcsec * east, error_arcsec * north)
    return {
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "rotation_deg": (view.rotation_deg + 0.001 * turn) % 360.0,
        "scale_arcsec": sensor.scale_arcsec / sensor.binning * (1.0 + 1e-5 * stretch),
    }


@lru_cache(maxsize=4096)
def _shape(blur: Blur, cell: int) -> tuple[float, float, float, float, float]:
    """Return what is seen of a star under a blur, as it would be measured.

    Returns:
        The shares of the light in the brightest pixel and above the threshold, HFR, FWHM and
        elongation.
    """
    psf = psf_of(blur)
    image = _in_cells(psf.centred, cell)
    smoothed = _smoothed(image)
    detect = float(np.partition(np.ravel(smoothed), -_AREA_PX)[-_AREA_PX])
    elongation = _elongation(psf)
    # Without its pixel a star is a little narrower than its image on the grid.
    bare = psf.half_flux_radius()
    widened = _PIXEL_HFR2 + _CELL_HFR2 * (cell**2 - 1)
    hfr = math.sqrt(max(bare**2 - 2.0 * _PIXEL_FWHM2 / 8.0 + widened, 0.01))
    # Widths are fitted on the pixels of one colour, whatever their cell.
    fwhm = math.sqrt(max(psf.fwhm() ** 2 - _PIXEL_FWHM2, 0.01))
    return float(psf.centred.max()), detect, hfr, min(fwhm, _DISC_FWHM * hfr), elongation


def _elongation(psf: Psf) -> float:
    """Return long over short axis without the pixels, as fitting an ellipse to them gives it.

    The second moments under an elliptical weight of the same shape are half of the star's, if it is
    a Gaussian; weight and star are brought into agreement (G. M. Bernstein and M. Jarvis 2002).
    """
    light, x, y = _between_pixels(psf)
    shape = np.array((4.0, 0.0, 4.0))
    for _ in range(_ROUNDS):
        xx, xy, yy = shape
        square = (yy * x * x - 2.0 * xy * x * y + xx * y * y) / max(xx * yy - xy * xy, 1e-9)
        weighted = light * np.exp(-0.5 * square)
        before, shape = (
            shape,
            2.0
            * np.array((weighted @ (x * x), weighted @ (x * y), weighted @ (y * y)))
            / max(float(weighted.sum()), 1e-12),
        )
        if np.abs(shape - before).max() < 1e-3 * shape.max():
            break
    xx, xy, yy = shape
    mean, half = 0.5 * (xx + yy) - 1.0 / 12.0, math.hypot(0.5 * (xx - yy), xy)
    ratio = math.sqrt((mean + half) / max(mean - half, 1e-3 * mean))
    return ratio - _LONG_SHORTER * max(0.0, ratio - _LONG)


def _between_pixels(psf: Psf) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return light, x and y at every half pixel of a star's image, each of shape (N,)."""
    axis = np.arange(-psf.half_width, psf.half_width + 1, dtype=np.float64)
    offsets = ((0, 0.0), (psf.steps // 2, 0.5))
    light = [psf.stamp(row, column).ravel() for row, _ in offsets for column, _ in offsets]
    x = [np.tile(axis - column, len(axis)) for _ in offsets for _, column in offsets]
    y = [np.repeat(axis - row, len(axis)) for _, row in offsets for _ in offsets]
    return np.concatenate(light), np.concatenate(x), np.concatenate(y)


def _in_cells(image: FloatArray, cell: int) -> FloatArray:
    """Return the sums over cells of so many pixels a side; an odd last row and column are cut."""
    side = len(image) // cell
    whole = image[: side * cell, : side * cell]
    cells: FloatArray = whole.reshape(side, cell, side, cell).sum(axis=(1, 3))
    return cells


def _smoothed(image: FloatArray) -> FloatArray:
    """Return an image under the detection kernel, of sum one; dark beyond the edges."""
    padded = np.pad(image, 1)
    down = padded[:-2] + 2.0 * padded[1:-1] + padded[2:]
    return (down[:, :-2] + 2.0 * down[:, 1:-1] + down[:, 2:]) / 16.0
