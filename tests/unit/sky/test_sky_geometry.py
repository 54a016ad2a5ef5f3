from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.sky import critical_focus_zone_um, pixel_scale_arcsec, separation_deg
from midwatch.sky.geometry import (
    deproject,
    field_of_view_deg,
    offset_radec,
    position_angle_deg,
    position_on_circle,
    project,
)
from midwatch.sky.vectors import wrap_180, wrap_360

RA = st.floats(0.0, 360.0)
DEC = st.floats(-90.0, 90.0)
ANY = st.floats(-1e5, 1e5)


@given(RA, DEC, RA, DEC)
def test_separation_is_symmetric_and_bounded(ra1, dec1, ra2, dec2):
    there = separation_deg(ra1, dec1, ra2, dec2)
    assert there == separation_deg(ra2, dec2, ra1, dec1)
    assert 0.0 <= there <= 180.0


@given(RA, DEC)
def test_separation_of_a_point_from_itself_and_its_antipode(ra, dec):
    assert separation_deg(ra, dec, ra, dec) == pytest.approx(0.0, abs=1e-13)
    assert separation_deg(ra, dec, ra + 180.0, -dec) == pytest.approx(180.0, abs=1e-12)


@given(RA, st.floats(-89.0, 89.0), st.floats(1e-6, 1.0))
def test_tiny_separations_keep_their_digits(ra, dec, arcsec):
    apart = separation_deg(ra, dec, ra, dec + arcsec / 3600.0)
    assert apart * 3600.0 == pytest.approx(arcsec, rel=1e-5, abs=1e-9)


@given(RA, DEC, st.floats(0.0, 360.0), st.floats(0.0, 179.0))
def test_a_way_along_a_circle_has_its_length_and_direction(ra, dec, angle, distance):
    end = position_on_circle(ra, dec, angle, distance)
    assert separation_deg(ra, dec, *end) == pytest.approx(distance, abs=1e-9)
    if distance > 0.01 and abs(dec) < 89.9:
        turned = float(wrap_180(position_angle_deg(ra, dec, *end) - angle))
        assert turned == pytest.approx(0.0, abs=1e-6)


@given(RA, DEC, st.floats(-3600.0, 3600.0), st.floats(-3600.0, 3600.0))
def test_an_offset_is_as_long_as_it_says(ra, dec, east, north):
    end = offset_radec(ra, dec, east, north)
    assert separation_deg(ra, dec, *end) * 3600.0 == pytest.approx(np.hypot(east, north), abs=1e-6)


def test_offsets_go_east_and_north():
    ra, dec = offset_radec(10.0, 60.0, 36.0, 0.0)
    assert ra == pytest.approx(10.0 + 0.01 / np.cos(np.radians(60.0)), abs=1e-6)
    assert dec == pytest.approx(60.0, abs=1e-5)
    ra, dec = offset_radec(10.0, 60.0, 0.0, 36.0)
    assert (ra, dec) == (pytest.approx(10.0), pytest.approx(60.01))


@given(RA, DEC, st.floats(-30.0, 30.0), st.floats(-30.0, 30.0))
def test_projection_is_undone(ra0, dec0, xi, eta):
    back = project(*deproject(xi, eta, ra0, dec0), ra0, dec0)
    assert back == (pytest.approx(xi, abs=1e-9), pytest.approx(eta, abs=1e-9))


def test_projection_of_the_far_side_is_not_a_number():
    xi, eta = project([0.0, 89.0, 91.0, 180.0], np.zeros(4), 0.0, 0.0)
    assert np.isnan(xi).tolist() == [False, False, True, True]
    assert np.isnan(eta).tolist() == [False, False, True, True]


@given(ANY)
def test_wrapping_keeps_the_angle_and_its_range(angle):
    full, half = float(wrap_360(angle)), float(wrap_180(angle))
    assert 0.0 <= full < 360.0
    assert -180.0 < half <= 180.0
    assert np.cos(np.radians(full)) == pytest.approx(np.cos(np.radians(angle)), abs=1e-8)
    assert np.sin(np.radians(half)) == pytest.approx(np.sin(np.radians(angle)), abs=1e-8)


@pytest.mark.parametrize("angle", [-1e-20, -5e-14, 360.0, 720.0, -360.0])
def test_wrapping_at_the_seam(angle):
    assert 0.0 <= wrap_360(angle) < 360.0
    assert -180.0 < wrap_180(angle + 180.0) <= 180.0


def test_hour_angle_takes_the_short_way():
    # Sidereal time 1 h, right ascension 23.5 h: 1.5 h west, not 22.5 h east.
    assert wrap_180(15.0 - 352.5) == 22.5
    assert wrap_180(180.0) == 180.0
    assert wrap_180(-180.0) == 180.0


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_optics_refuse_sizes_that_cannot_be(bad):
    with pytest.raises(ValueError, match="pixel_um must be over zero"):
        pixel_scale_arcsec(bad, 480.0)
    with pytest.raises(ValueError, match="focal_mm must be over zero"):
        field_of_view_deg(1000, 3.76, bad)
    with pytest.raises(ValueError, match="f_ratio must be over zero"):
        critical_focus_zone_um(550.0, bad)
