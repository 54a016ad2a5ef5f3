"""Plate solving on the real catalogue.

The fields are laid out by astropy.wcs, which shares no code with the solver; centroid noise,
false and missing stars are added. The star positions come from the same catalogue as the
solver's, so that these fields say nothing about errors of the catalogue.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pytest
from astropy.coordinates import angular_separation
from astropy.wcs import WCS
from numpy.typing import NDArray

from midwatch.imaging import Solution
from midwatch.imaging.solving import FieldHint, FrameStars, SolveFailure, solve_by
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.sky.catalogues import StarCatalogue

SHAPE = (1400, 1800)
SCALE_ARCSEC = 4.14
FloatArray = NDArray[np.float64]
Parity = Literal[1, -1]


@dataclass
class Field:
    ra_deg: float
    dec_deg: float
    rotation_deg: float
    parity: Parity
    x: FloatArray
    y: FloatArray
    flux: FloatArray

    def hint(self, rng: np.random.Generator, radius_deg: float, **more: object) -> FieldHint:
        """A hint somewhere within its own radius."""
        towards = rng.uniform(0, 2 * np.pi)
        away = radius_deg * 0.95 * np.sqrt(rng.random())
        dec = float(np.clip(self.dec_deg + away * np.sin(towards), -90, 90))
        ra = self.ra_deg + away * np.cos(towards) / max(0.02, np.cos(np.radians(self.dec_deg)))
        return FieldHint(ra % 360, dec, radius_deg, SCALE_ARCSEC, **more)  # type: ignore[arg-type]

    def solve(self, hint: FieldHint) -> Solution | SolveFailure:
        return solve_field(self.x, self.y, self.flux, SHAPE, hint, StarCatalogue.load())

    def error_arcsec(self, solution: Solution) -> float:
        corners = np.radians([self.ra_deg, self.dec_deg, solution.ra_deg, solution.dec_deg])
        return float(np.degrees(angular_separation(*corners)) * 3600)


def make_field(
    rng: np.random.Generator,
    *,
    dec_deg: float | None = None,
    false_share: float = 0.2,
    missing_share: float = 0.2,
    distortion: float = 0.0,
    scale_arcsec: float = SCALE_ARCSEC,
) -> Field:
    ra = rng.uniform(0, 360)
    dec = float(np.degrees(np.arcsin(rng.uniform(-1, 1)))) if dec_deg is None else dec_deg
    rotation, parity = rng.uniform(0, 360), rng.choice([1, -1])
    height, width = SHAPE
    turn, pixel = np.radians(rotation), scale_arcsec / 3600
    layout = WCS(naxis=2)
    layout.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    layout.wcs.crval = [ra, dec]
    layout.wcs.crpix = [(width + 1) / 2, (height + 1) / 2]
    layout.wcs.cd = pixel * np.array(
        [[-parity * np.cos(turn), np.sin(turn)], [parity * np.sin(turn), np.cos(turn)]]
    )
    stars = StarCatalogue.load().near(ra, dec, 1.4)
    x, y = layout.all_world2pix(stars.ra_deg, stars.dec_deg, 0)
    if distortion:
        dx, dy = x - width / 2, y - height / 2
        stretch = 1 + distortion * (dx**2 + dy**2) / (width**2 + height**2) * 4
        x, y = width / 2 + dx * stretch, height / 2 + dy * stretch
    seen = (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1)
    seen &= rng.random(len(x)) > missing_share
    x, y, magnitude = x[seen], y[seen], stars.mag_g[seen]
    wrong = round(false_share / (1 - false_share) * len(x))
    x = np.concatenate([x + rng.normal(0, 0.3, len(x)), rng.uniform(0, width, wrong)])
    y = np.concatenate([y + rng.normal(0, 0.3, len(y)), rng.uniform(0, height, wrong)])
    magnitude = np.concatenate([magnitude + rng.normal(0, 0.3, len(magnitude)),
                                rng.uniform(6, 10, wrong)])  # fmt: skip
    return Field(ra, dec, rotation, parity, x, y, 10 ** (-0.4 * magnitude))


def check(field: Field, answer: Solution | SolveFailure) -> None:
    assert isinstance(answer, Solution), answer
    assert field.error_arcsec(answer) < 3.0
    assert abs((answer.rotation_deg - field.rotation_deg + 180) % 360 - 180) < 0.1
    assert answer.scale_arcsec == pytest.approx(SCALE_ARCSEC, rel=2e-3)
    assert answer.parity == field.parity
    assert answer.rms_arcsec < 4.5
    x, y = answer.sky_to_pixel(field.ra_deg, field.dec_deg)
    assert np.hypot(x - (SHAPE[1] - 1) / 2, y - (SHAPE[0] - 1) / 2) < 1.0


@pytest.mark.parametrize("seed", range(12))
def test_any_rotation_and_parity_near_the_hint(seed: int) -> None:
    rng = np.random.default_rng((41, seed))
    field = make_field(rng)
    check(field, field.solve(field.hint(rng, 0.5)))


@pytest.mark.parametrize("seed", range(8))
def test_rotation_and_parity_known_also_after_a_flip(seed: int) -> None:
    rng = np.random.default_rng((42, seed))
    field = make_field(rng)
    known = field.rotation_deg + rng.uniform(-1, 1) + 180 * (seed % 2)
    hint = field.hint(
        rng, 0.5, rotation_deg=known % 360, parity=field.parity, scale_tolerance=0.003
    )
    check(field, field.solve(hint))


@pytest.mark.parametrize("seed", range(3))
def test_a_rotation_that_is_no_longer_true_costs_time_only(seed: int) -> None:
    rng = np.random.default_rng((43, seed))
    field = make_field(rng)
    hint = field.hint(rng, 0.3, rotation_deg=(field.rotation_deg + 70) % 360)
    check(field, field.solve(hint))


@pytest.mark.parametrize("dec_deg", [89.9, 88.5, -89.0, -87.5])
def test_the_poles(dec_deg: float) -> None:
    rng = np.random.default_rng((44, round(1000 + dec_deg * 10)))
    field = make_field(rng, dec_deg=dec_deg)
    check(field, field.solve(field.hint(rng, 0.5)))


@pytest.mark.parametrize("seed", range(4))
def test_two_fifths_false_and_two_fifths_missing(seed: int) -> None:
    rng = np.random.default_rng((45, seed))
    field = make_field(rng, false_share=0.4, missing_share=0.4)
    check(field, field.solve(field.hint(rng, 0.5)))


@pytest.mark.parametrize("seed", range(3))
def test_a_hint_three_degrees_wide(seed: int) -> None:
    rng = np.random.default_rng((46, seed))
    field = make_field(rng)
    check(field, field.solve(field.hint(rng, 3.0)))


@pytest.mark.parametrize("seed", range(3))
def test_distortion_of_two_thousandths(seed: int) -> None:
    rng = np.random.default_rng((47, seed))
    field = make_field(rng, distortion=0.002)
    answer = field.solve(field.hint(rng, 0.5))
    assert isinstance(answer, Solution), answer
    assert field.error_arcsec(answer) < 4.0


@pytest.mark.parametrize("seed", range(3))
def test_a_scale_off_by_less_than_its_tolerance(seed: int) -> None:
    rng = np.random.default_rng((48, seed))
    true_scale = SCALE_ARCSEC * (1.015 if seed % 2 else 0.985)
    field = make_field(rng, scale_arcsec=true_scale)
    answer = field.solve(field.hint(rng, 0.5))
    assert isinstance(answer, Solution), answer
    assert answer.scale_arcsec == pytest.approx(
        SCALE_ARCSEC * (1.015 if seed % 2 else 0.985), rel=1e-3
    )


@pytest.mark.parametrize("seed", range(6))
def test_the_wrong_place_is_not_solved(seed: int) -> None:
    rng = np.random.default_rng((49, seed))
    field = make_field(rng)
    hint = FieldHint((field.ra_deg + 40) % 360, -0.7 * field.dec_deg, 1.0, SCALE_ARCSEC)
    answer = field.solve(hint)
    assert isinstance(answer, SolveFailure) and answer.kind == "no_match"


@pytest.mark.parametrize("wrong", ["scale", "parity"])
def test_the_wrong_scale_or_parity_is_not_solved(wrong: str) -> None:
    rng = np.random.default_rng(50)
    field = make_field(rng)
    if wrong == "scale":
        hint = FieldHint(field.ra_deg, field.dec_deg, 0.5, SCALE_ARCSEC * 1.12)
    else:
        mirrored: Parity = -1 if field.parity == 1 else 1
        hint = FieldHint(field.ra_deg, field.dec_deg, 0.5, SCALE_ARCSEC, parity=mirrored)
    assert isinstance(field.solve(hint), SolveFailure)


@pytest.mark.parametrize("count", [6, 12, 30, 120, 400])
@pytest.mark.parametrize("place", [(270.0, -28.0), (192.9, 27.1)], ids=["crowded", "sparse"])
def test_chance_is_never_taken_for_a_field(count: int, place: tuple[float, float]) -> None:
    rng = np.random.default_rng((51, count))
    answer = solve_field(
        rng.uniform(0, SHAPE[1], count),
        rng.uniform(0, SHAPE[0], count),
        rng.random(count),
        SHAPE,
        FieldHint(*place, 1.0, SCALE_ARCSEC),
        StarCatalogue.load(),
    )
    assert isinstance(answer, SolveFailure) and answer.kind == "no_match"


def test_a_wrong_scale_and_a_hint_far_off_are_found_together() -> None:
    """Five percent and three degrees: a reducer out of place behind a mount that is off."""
    solved = 0
    for seed in (2, 3):
        rng = np.random.default_rng(seed)
        field = make_field(rng, scale_arcsec=SCALE_ARCSEC / (1.05 if seed % 2 else 0.95))
        turn = rng.uniform(0, 2 * np.pi)
        dec = float(np.clip(field.dec_deg + 3.0 * np.sin(turn), -90, 90))
        ra = field.ra_deg + 3.0 * np.cos(turn) / max(0.02, np.cos(np.radians(field.dec_deg)))
        hint = FieldHint(ra % 360, dec, 3.3, SCALE_ARCSEC, scale_tolerance=0.03)
        found = solve_by("wide", FrameStars(field.x, field.y, field.flux, SHAPE), hint, None)
        if isinstance(found, Solution):
            assert field.error_arcsec(found) < 10.0
            solved += 1
    assert solved == 2
