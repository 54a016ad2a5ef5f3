"""The rendered sky against astropy's projection, closed forms and published figures."""

import math
from itertools import pairwise

import numpy as np
import pytest
import sep
from astropy.wcs import WCS

from midwatch.sky.catalogues import StarCatalogue, extended_near
from midwatch_simulators.sky import CameraOptions, Sensor, SkyView, render
from midwatch_simulators.sky.photometry import (
    collecting_area_cm2,
    dark_electrons_per_s,
    electrons_per_s,
    pixel_magnitude,
)
from midwatch_simulators.sky.scene import Chart
from midwatch_simulators.sky.star_field import stars_near
from midwatch_simulators.sky.star_image import Blur, Psf

GAUSS_HFR2 = 2 * math.log(2)  # square of a Gaussian's half-flux radius over its variance
PIXEL_HFR2 = GAUSS_HFR2 / 12  # what the width of a pixel adds to that square


def sensor(**options: object) -> Sensor:
    small = {"width_px": 600, "height_px": 500, "corner_loss": 0.0, "hot_share": 0.0}
    return Sensor(CameraOptions(**{**small, **options}), seed=1)


def view(ra_deg: float, dec_deg: float, **changes: object) -> SkyView:
    usual = {
        "rotation_deg": 0.0,
        "stars": True,
        "star_rate": 1.0e6,
        "glow_e_s": 0.0,
        "blur": Blur(moffat_fwhm=2.0),
    }
    return SkyView(ra_deg=ra_deg, dec_deg=dec_deg, **{**usual, **changes})


def tan_wcs(ra_deg: float, dec_deg: float, rotation_deg: float, of: Sensor) -> WCS:
    """A FITS header's worth of the same field: +y at a position angle, east left of north."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra_deg, dec_deg]
    wcs.wcs.crpix = [(of.width_px + 1) / 2, (of.height_px + 1) / 2]
    scale = of.scale_arcsec / 3600
    cos, sin = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    # Columns are x and y: a mirror turns the sign of x, hence of the first column.
    sign = -1.0 if of.options.mirrored else 1.0
    wcs.wcs.cd = np.array([[-sign * cos, sin], [sign * sin, cos]]) * scale
    return wcs


def moments(psf: Psf) -> tuple[float, float, float]:
    """Variances xx, xy, yy of all the light in a stamp, the pixel's own included."""
    axis = np.arange(len(psf.centred)) - psf.half_width
    along_x, along_y = psf.centred.sum(axis=0), psf.centred.sum(axis=1)
    return along_x @ axis**2, axis @ psf.centred @ axis, along_y @ axis**2


@pytest.mark.parametrize(
    ("ra_deg", "dec_deg", "rotation_deg"),
    [(56.75, 24.1, 0.0), (56.75, 24.1, 190.0), (359.99, -70.0, 33.0), (120.0, 88.9, 271.0)],
)
@pytest.mark.parametrize("mirrored", [False, True])
def test_rendered_stars_stand_where_the_projection_of_astropy_puts_them(
    ra_deg, dec_deg, rotation_deg, mirrored
):
    chip = sensor(focal_length_mm=250.0, mirrored=mirrored)
    image = render(view(ra_deg, dec_deg, rotation_deg=rotation_deg), chip, 60.0, 100.0)
    stars = StarCatalogue.load().near(ra_deg, dec_deg, 0.5, 10.0)
    wcs = tan_wcs(ra_deg, dec_deg, rotation_deg, chip)
    x, y = wcs.wcs_world2pix(stars.ra_deg, stars.dec_deg, 0)
    # All that is drawn and could pull a centre aside: to 5 magnitudes below the faintest.
    drawn = stars_near(ra_deg, dec_deg, 0.5, 15.0).directions
    others_x, others_y = wcs.wcs_world2pix(
        np.degrees(np.arctan2(drawn[:, 1], drawn[:, 0])), np.degrees(np.arcsin(drawn[:, 2])), 0
    )
    distances = np.hypot(x[:, None] - others_x, y[:, None] - others_y)
    apart = np.sort(distances, axis=1)[:, 1] > 6.0
    inside = (x > 12) & (x < chip.width_px - 13) & (y > 12) & (y < chip.height_px - 13)
    chosen = np.flatnonzero(inside & apart)
    assert len(chosen) >= 3
    # Windowed centroids of sep, which a cut at whole pixels does not bias as it does plain sums.
    seen_x, seen_y, flags = sep.winpos(
        image.astype(np.float64), x[chosen], y[chosen], np.full(len(chosen), 0.85)
    )
    assert not flags.any()
    offsets = np.array([seen_x - x[chosen], seen_y - y[chosen]])
    # Stars stand on a lattice of an eighth of a pixel, so within a sixteenth; the rest is for
    # what the faintest neighbours pull.
    assert np.abs(offsets).max() < 1 / 16 + 0.03
    # And on that lattice they are spread evenly, with no shift in common: 1/8 / sqrt(12 N).
    assert np.abs(offsets.mean(axis=1)).max() < 4 * 0.125 / math.sqrt(12 * len(chosen))


def test_chart_equals_astropy_to_rounding():
    chip = sensor()
    chart = Chart(view(210.0, -40.0, rotation_deg=77.0), chip)
    rng = np.random.default_rng(4)
    ra, dec = 210 + rng.uniform(-0.3, 0.3, 50), -40 + rng.uniform(-0.3, 0.3, 50)
    directions = np.stack(
        [
            np.cos(np.radians(dec)) * np.cos(np.radians(ra)),
            np.cos(np.radians(dec)) * np.sin(np.radians(ra)),
            np.sin(np.radians(dec)),
        ],
        axis=1,
    )
    x, y = chart.place(directions)
    expected = tan_wcs(210.0, -40.0, 77.0, chip).wcs_world2pix(ra, dec, 0)
    np.testing.assert_allclose([x, y], expected, atol=1e-6)


def test_sky_rate_is_that_of_the_handbook():
    # 996 photons/s/cm2/A at V = 0 (Bessell, Castelli and Plez 1998, recalled from memory);
    # 80 mm, 480 mm, 3.76 um, 880 A, efficiency 0.5: 0.1445, 0.5752, 2.290 e-/s (closed form).
    scale_arcsec = 206.265 * 3.76 / 480
    area = collecting_area_cm2(80.0)
    for surface_mag, expected in ((21.5, 0.1445), (20.0, 0.5752), (18.5, 2.290)):
        rate = electrons_per_s(pixel_magnitude(surface_mag, scale_arcsec), area, 880.0, 0.5)
        assert rate == pytest.approx(expected, rel=0.01)


def test_light_of_a_star_is_what_the_formula_says():
    chip = sensor()
    # Far from the Milky Way and without a nebula or a galaxy in the frame.
    field = StarCatalogue.load().near(210.0, 62.0, 2.0, 9.0)
    seen = 0
    for i in range(len(field.ra_deg)):
        ra_deg, dec_deg = float(field.ra_deg[i]), float(field.dec_deg[i])
        beside = StarCatalogue.load().near(ra_deg, dec_deg, 30 * chip.scale_arcsec / 3600, 14.0)
        if len(beside.ra_deg) > 1 or len(extended_near(ra_deg, dec_deg, 0.5)):
            continue
        image = render(view(ra_deg, dec_deg, star_rate=2.0e6), chip, 10.0, 1.0).astype(np.float64)
        middle = (chip.width_px - 1) / 2, (chip.height_px - 1) / 2
        light, _, _ = sep.sum_circle(image, [middle[0]], [middle[1]], [10.0], subpix=10)
        # A Moffat of beta 3 keeps all but (1 + (r/alpha)^2)^-2 within r (closed form).
        alpha = 2.0 / (2 * math.sqrt(2 ** (1 / 3) - 1))
        inside = 1 - (1 + (10.0 / alpha) ** 2) ** -2
        expected = 2.0e6 * 10 * 10 ** (-0.4 * float(field.mag_g[i])) * inside
        # Stars of 14th magnitude and below may be inside: a hundredth of one of the 9th.
        assert light[0] == pytest.approx(expected, rel=0.01)
        seen += 1
    assert seen >= 3


def test_rendered_stars_have_the_width_that_was_asked_for():
    chip = sensor()
    for fwhm_px in (2.5, 4.0):
        image = render(view(56.75, 24.1, blur=Blur(moffat_fwhm=fwhm_px)), chip, 60.0, 100.0)
        found = sep.extract(image.astype(np.float64), 400.0, minarea=5, deblend_cont=1.0)
        edge = (found["x"] > 30) & (found["x"] < 570) & (found["y"] > 30) & (found["y"] < 470)
        found = found[edge][np.argsort(-found["flux"][edge])[:6]]
        assert len(found) >= 3
        radius, _ = sep.flux_radius(
            image.astype(np.float64), found["x"], found["y"], np.full(len(found), 16.0), 0.5,
            subpix=10,
        )  # fmt: skip
        # Half of the light of a Moffat of beta 3 is within alpha sqrt(sqrt 2 - 1) (closed form).
        # The pixel widens it twice, in the camera and as it is summed (variances add).
        alpha = fwhm_px / (2 * math.sqrt(2 ** (1 / 3) - 1))
        bare = math.sqrt(np.median(radius) ** 2 - 2 * PIXEL_HFR2)
        assert bare == pytest.approx(alpha * math.sqrt(math.sqrt(2) - 1), rel=0.03)


@pytest.mark.parametrize(("beta_fwhm", "expected"), [(3.0, 1.89358), (6.0, 2 * 1.89358)])
def test_half_flux_radius_of_a_moffat(beta_fwhm, expected):
    # beta 3, FWHM 3: alpha sqrt(2^(1/(beta-1)) - 1) = 1.89358 (closed form).
    radius = Psf(Blur(moffat_fwhm=beta_fwhm)).half_flux_radius()
    assert math.sqrt(radius**2 - PIXEL_HFR2) == pytest.approx(expected, rel=0.03)


def test_disc_of_a_defocused_star():
    # Half of a uniform disc is within 1/sqrt 2 of its radius; of a ring with a hole h within
    # sqrt((1 + h^2)/2) (closed forms).
    for hole in (0.0, 0.4):
        psf = Psf(Blur(moffat_fwhm=0.8, disc_radius=12.0, obstruction=hole))
        assert psf.half_flux_radius() == pytest.approx(12 * math.sqrt((1 + hole**2) / 2), rel=0.02)
    assert psf.centred[psf.half_width, psf.half_width] < 0.1 * psf.centred.max()


def test_focus_curve_is_a_hyperbola():
    # HFR^2 = a^2 + b^2 d^2: linear in the square of the defocus for a Gaussian core; a real star
    # with a disc stays within some percent.
    discs = np.linspace(0.0, 8.0, 9)
    hfr = np.array([Psf(Blur(moffat_fwhm=2.0, disc_radius=d)).half_flux_radius() for d in discs])
    assert np.all(np.diff(hfr) > 0)
    slope, offset = np.polyfit(discs**2, hfr**2, 1)
    fitted = np.sqrt(np.maximum(slope * discs**2 + offset, 0))
    assert np.abs(fitted / hfr - 1).max() < 0.12
    assert math.sqrt(slope) == pytest.approx(1 / math.sqrt(2), rel=0.05)


@pytest.mark.parametrize(
    ("moved", "added"),
    [
        # Variances add. A uniform segment of length L has L^2/12 along it (closed forms).
        ({"trail_x": 3.0, "trail_y": 3.0}, (9 / 12, 9 / 12, 9 / 12)),
        ({"trail_x": 4.0}, (16 / 12, 0.0, 0.0)),
        ({"jitter_xx": 1.0, "jitter_xy": 0.2, "jitter_yy": 0.5}, (1.0, 0.2, 0.5)),
    ],
)
def test_motion_adds_its_variance_to_a_star(moved, added):
    still, blurred = (moments(Psf(Blur(moffat_fwhm=2.5, **more))) for more in ({}, moved))
    assert np.subtract(blurred, still) == pytest.approx(added, abs=0.06)


def test_stamps_hold_all_the_light_and_move_by_their_step():
    psf = Psf(Blur(moffat_fwhm=2.0))
    sums = psf.stamps.sum(axis=(2, 3))
    assert sums.min() > 0.998 and sums.max() < 1.001
    columns = np.arange(psf.stamps.shape[3]) - psf.half_width
    centres = (psf.stamps[0].sum(axis=1) @ columns) / sums[0]
    np.testing.assert_allclose(centres, np.arange(psf.steps) / psf.steps, atol=0.005)


def test_dark_current_doubles():
    # 6.3 C of doubling, -10 to 0 C: times 3.005 (arithmetic).
    warm, cold = (dark_electrons_per_s(0.01, 0.0, 6.3, c) for c in (0.0, -10.0))
    assert warm / cold == pytest.approx(3.005, abs=0.001)
    assert dark_electrons_per_s(0.01, 0.0, 6.3, 6.3) == pytest.approx(0.02)


def test_faint_stars_are_the_same_from_any_side_and_grow_as_they_should():
    one, other = (stars_near(ra, 40.0, 0.4, 14.0) for ra in (150.0, 150.3))

    def within(field, ra_deg):
        # Both cones hold the small one around (150.15, 40) whole.
        axis = np.array(
            [
                math.cos(math.radians(40)) * math.cos(math.radians(ra_deg)),
                math.cos(math.radians(40)) * math.sin(math.radians(ra_deg)),
                math.sin(math.radians(40)),
            ]
        )
        return sorted(field.mag[field.directions @ axis > math.cos(math.radians(0.2))])

    assert within(one, 150.15) == within(other, 150.15)
    assert len(within(one, 150.15)) > 10
    counts = [len(stars_near(150.0, 40.0, 3.0, mag).mag) for mag in (11.0, 12.0, 13.0, 14.0)]
    assert [b / a for a, b in pairwise(counts)] == pytest.approx([2.4, 2.4, 2.4], rel=0.15)


def test_field_over_the_pole_and_over_the_zero_meridian_is_whole():
    for ra_deg, dec_deg in ((10.0, 89.8), (359.95, 0.0)):
        field = stars_near(ra_deg, dec_deg, 0.5, 15.0)
        chart = Chart(view(ra_deg, dec_deg), sensor())
        x, y = chart.place(field.directions)
        inside = (np.abs(x - 299.5) < 300) & (np.abs(y - 249.5) < 250)
        # Every quarter of the frame has its share.
        quarters = [
            np.count_nonzero(inside & (sx * (x - 299.5) > 0) & (sy * (y - 249.5) > 0))
            for sx in (-1, 1)
            for sy in (-1, 1)
        ]
        assert min(quarters) > 0.4 * max(quarters) > 0


def test_a_mosaic_sees_the_colours_of_the_catalogue():
    """Gaia's BP - RP against the light of red and blue pixels around each star."""
    of = sensor(bayer="RGGB", pixel_um=9.0)
    image = render(view(83.8, -1.2), of, 10.0, 0.0)
    stars = StarCatalogue.load().near(83.8, -1.2, 0.5, 10.0)
    x, y = tan_wcs(83.8, -1.2, 0.0, of).all_world2pix(stars.ra_deg, stars.dec_deg, 0)
    inside = (np.abs(x - 299.5) < 280) & (np.abs(y - 249.5) < 230)
    ratios, colours = [], []
    for column, row, colour in zip(x[inside], y[inside], stars.bp_rp[inside], strict=True):
        if np.isfinite(colour):
            top, left = round(row) // 2 * 2, round(column) // 2 * 2
            patch = image[top - 8 : top + 10, left - 8 : left + 10]
            ratios.append(patch[0::2, 0::2].sum() / patch[1::2, 1::2].sum())
            colours.append(colour)
    order = np.argsort(colours)
    assert len(order) >= 10
    third = len(order) // 3
    blue, red = (np.median(np.array(ratios)[part]) for part in (order[:third], order[-third:]))
    # One magnitude redder is up to 2.5 times as much red for the same blue.
    redder_mag = np.median(np.array(colours)[order[-third:]]) - np.median(
        np.array(colours)[order[:third]]
    )
    assert 2.5 * math.log10(red / blue) == pytest.approx(redder_mag, rel=0.35)
