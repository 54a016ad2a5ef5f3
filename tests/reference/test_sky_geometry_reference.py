"""Angles, projections and optics against erfa, astropy and published examples."""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from midwatch.sky import critical_focus_zone_um, pixel_scale_arcsec, separation_deg
from midwatch.sky.geometry import (
    deproject,
    field_of_view_deg,
    offset_radec,
    position_angle_deg,
    project,
)


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        # Meeus, example 17.a (from memory): Arcturus to Spica.
        ((213.9154, 19.1825), (201.2983, -11.1614), 32.7930),
        # erfa seps 2.0.1.5: far, across 0h, over the pole, tiny.
        ((10.684583, 41.269167), (23.462042, 30.660278), 14.783708),
        ((0.001, 10.0), (359.999, 10.0), 0.00196962),
        ((0.0, 89.9), (180.0, 89.9), 0.2),
        ((83.82208, -5.39111), (83.82208, -5.38111), 0.01),
    ],
)
def test_separations(a, b, expected):
    assert separation_deg(*a, *b) == pytest.approx(expected, abs=5e-5 if expected > 30 else 1e-6)


def test_separation_and_position_angle_agree_with_erfa():
    random = np.random.default_rng(5)
    ra1, ra2 = random.uniform(0, 360, (2, 300))
    dec1, dec2 = random.uniform(-90, 90, (2, 300))
    radians = np.radians([ra1, dec1, ra2, dec2])
    assert separation_deg(ra1, dec1, ra2, dec2) == pytest.approx(
        np.degrees(erfa.seps(*radians)), abs=1e-10
    )
    turned = position_angle_deg(ra1, dec1, ra2, dec2) - np.degrees(erfa.pas(*radians))
    assert np.max(np.abs((turned + 180.0) % 360.0 - 180.0)) < 1e-9


def test_tangent_plane_agrees_with_erfa():
    random = np.random.default_rng(6)
    ra0, dec0 = random.uniform(0, 360, 200), random.uniform(-90, 90, 200)
    xi, eta = random.uniform(-3, 3, (2, 200))
    ra, dec = deproject(xi, eta, ra0, dec0)
    their_ra, their_dec = erfa.tpsts(*np.radians([xi, eta, ra0, dec0]))
    assert np.max(separation_deg(ra, dec, *np.degrees([their_ra, their_dec]))) < 1e-9
    their_xi, their_eta = erfa.tpxes(*np.radians([ra, dec, ra0, dec0]))
    ours = project(ra, dec, ra0, dec0)
    assert ours[0] == pytest.approx(np.degrees(their_xi), abs=1e-9)
    assert ours[1] == pytest.approx(np.degrees(their_eta), abs=1e-9)


def test_offsets_agree_with_astropy():
    from astropy import units as u
    from astropy.coordinates import SkyCoord

    start = SkyCoord(83.82 * u.deg, 61.4 * u.deg)
    theirs = start.directional_offset_by(np.arctan2(30.0, -40.0) * u.rad, 50.0 * u.arcsec)
    ra, dec = offset_radec(83.82, 61.4, 30.0, -40.0)
    assert separation_deg(ra, dec, theirs.ra.deg, theirs.dec.deg) < 1e-9


def test_optics_of_a_small_refractor():
    # Arithmetic of 206264.806 arcsec a radian, 2 atan(d/2F) and 4.88 lambda N^2 (from memory).
    assert pixel_scale_arcsec(3.76, 480.0) == pytest.approx(1.61574, abs=1e-5)
    assert pixel_scale_arcsec(3.76, 480.0, binning=2) == pytest.approx(3.23148, abs=1e-5)
    assert field_of_view_deg(6248, 3.76, 480.0) == pytest.approx(2.80365, abs=1e-5)
    assert field_of_view_deg(4176, 3.76, 480.0) == pytest.approx(1.87409, abs=1e-5)
    assert critical_focus_zone_um(550.0, 6.0) == pytest.approx(96.6, abs=0.05)
