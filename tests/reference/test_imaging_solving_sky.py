"""A seeded sample of the benchmark of solving: fields over the whole sky and where stars are few.

Frames are laid out by astropy.wcs; 0.3 px of noise, a fifth false and a fifth missing stars.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from midwatch.imaging import Solution
from midwatch.imaging.solving import FieldHint, FrameStars, SolveFailure
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.imaging.solving.wide_search import reach_deg, solve_area, solve_scale
from midwatch.sky.catalogues import StarCatalogue
from support.solving_truth import Chip, Stars, TrueField, anywhere, hint_near, lay_out

WIDE = Chip(6248, 4176, 1.193)  # 2.07 by 1.38 degrees
POLE = (192.86, 27.13)  # north pole of the Galaxy (Hipparcos catalogue, vol. 1; from memory)


@cache
def sky() -> Stars:
    own = StarCatalogue.load()
    return Stars(own.ra_deg, own.dec_deg, own.mag_g.astype(float))


def table(field: TrueField) -> FrameStars:
    return FrameStars(field.x, field.y, field.flux, field.chip.shape)


def test_thirty_fields_anywhere() -> None:
    rng = np.random.default_rng(61)
    for _ in range(30):
        field = lay_out(rng, sky(), WIDE, *anywhere(rng))
        hint = FieldHint(*hint_near(rng, field, 0.5), 0.5, WIDE.scale_arcsec)
        answer = solve_field(*table(field), hint, StarCatalogue.load())
        assert isinstance(answer, Solution), (field, answer)
        assert field.error_arcsec(answer.ra_deg, answer.dec_deg) < 2.0
        assert answer.parity == field.parity


def test_fifteen_fields_about_the_galactic_pole() -> None:
    rng = np.random.default_rng(62)
    for _ in range(15):
        dec = POLE[1] + rng.uniform(-8, 8)
        field = lay_out(rng, sky(), WIDE, POLE[0] + rng.uniform(-8, 8), dec)
        hint = FieldHint(*hint_near(rng, field, 0.5), 0.5, WIDE.scale_arcsec)
        answer = solve_field(*table(field), hint, StarCatalogue.load())
        assert isinstance(answer, Solution), (field, answer)
        assert field.error_arcsec(answer.ra_deg, answer.dec_deg) < 2.0


@pytest.mark.parametrize("seed", range(2))
def test_a_mount_that_is_six_degrees_off(seed: int) -> None:
    rng = np.random.default_rng((63, seed))
    field = lay_out(rng, sky(), WIDE, *anywhere(rng))
    hint = FieldHint(*hint_near(rng, field, 6.0), 6.0, WIDE.scale_arcsec)
    answer = solve_area(table(field), hint, StarCatalogue.load())
    assert isinstance(answer, Solution), answer
    assert field.error_arcsec(answer.ra_deg, answer.dec_deg) < 2.0


@pytest.mark.parametrize("factor", [0.7, 1.3])
def test_another_scale_is_measured(factor: float) -> None:
    rng = np.random.default_rng((64, round(100 * factor)))
    field = lay_out(rng, sky(), WIDE, *anywhere(rng))
    hint = FieldHint(*hint_near(rng, field, 0.5), 0.6, WIDE.scale_arcsec * factor)
    answer = solve_scale(table(field), hint, StarCatalogue.load())
    assert isinstance(answer, Solution), answer
    assert answer.scale_arcsec == pytest.approx(WIDE.scale_arcsec, rel=1e-3)
    assert field.error_arcsec(answer.ra_deg, answer.dec_deg) < 2.0


@pytest.mark.parametrize("seed", [0, 3])
def test_nothing_is_found_where_the_field_is_not(seed: int) -> None:
    rng = np.random.default_rng((65, seed))
    field = lay_out(rng, sky(), WIDE, *anywhere(rng))
    hint = FieldHint((field.ra_deg + 180) % 360, -field.dec_deg, 3.0, WIDE.scale_arcsec)
    answer = solve_area(table(field), hint, StarCatalogue.load())
    assert isinstance(answer, SolveFailure) and answer.kind == "no_match"


def test_no_scale_fits_where_the_field_is_not() -> None:
    rng = np.random.default_rng(67)
    small = Chip(1200, 900, 4.0)
    field = lay_out(rng, sky(), small, *anywhere(rng))
    hint = FieldHint((field.ra_deg + 180) % 360, -field.dec_deg, 0.3, 4.0, parity=1)
    answer = solve_scale(table(field), hint, StarCatalogue.load())
    assert isinstance(answer, SolveFailure) and answer.kind == "no_match"


def test_the_area_is_no_larger_than_what_seconds_allow() -> None:
    rng = np.random.default_rng(66)
    small = Chip(300, 200, 2.0)
    field = lay_out(rng, sky(), small, 83.8, -5.4, false_share=0.9)
    hint = FieldHint(200.0, 60.0, 40.0, 2.0)
    answer = solve_area(table(field), hint, StarCatalogue.load())
    assert isinstance(answer, SolveFailure)
    if answer.kind == "no_match":
        assert f"within {reach_deg(small.shape, 2.0):.1f} degrees" in answer.reason
    assert reach_deg(small.shape, 2.0) == pytest.approx(1.3 * 0.136 * 6.32, rel=0.02)
