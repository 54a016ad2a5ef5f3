from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from midwatch.imaging import Solution
from midwatch.imaging.solving import FieldHint, SolveFailure
from midwatch.imaging.solving.near_hint import solve_field
from midwatch.imaging.solving.star_matching import _log10_tail
from midwatch.sky.catalogues import StarCatalogue

FloatArray = NDArray[np.float64]
SHAPE = (900, 1200)


def invented_sky(count: int = 4000, seed: int = 5) -> StarCatalogue:
    """Stars spread over a cap of three degrees about (40, 30)."""
    rng = np.random.default_rng(seed)
    dec = np.sort(rng.uniform(27, 33, count))
    ra = rng.uniform(36.5, 43.5, count)
    colour = np.zeros(count, np.float32)
    return StarCatalogue(
        np.arange(count), ra, dec, rng.uniform(4, 10, count).astype(np.float32), colour
    )


SKY = invented_sky()
TRUE = Solution(
    40.0, 30.0, 0.0, 5.0, 1, 0.0, 0, 0, SHAPE, (600.5, 450.5), (40.0, 30.0),
    ((-5.0 / 3600, 0.0), (0.0, 5.0 / 3600)),
)  # fmt: skip


def visible() -> tuple[FloatArray, FloatArray, FloatArray]:
    near = SKY.near(40.0, 30.0, 1.2)
    x, y = TRUE.sky_to_pixel(near.ra_deg, near.dec_deg)
    inside = (x > -0.5) & (x < SHAPE[1] - 0.5) & (y > -0.5) & (y < SHAPE[0] - 0.5)
    return x[inside], y[inside], 10 ** (-0.4 * near.mag_g[inside].astype(float))


def hint(**facts: object) -> FieldHint:
    return FieldHint(**{"ra_deg": 40.2, "dec_deg": 29.9, "radius_deg": 0.4, "scale_arcsec": 5.02, **facts})  # type: ignore[arg-type]  # fmt: skip  # noqa: E501


def test_an_exact_field_is_solved_exactly() -> None:
    answer = solve_field(*visible(), SHAPE, hint(), SKY)
    assert isinstance(answer, Solution)
    assert (answer.ra_deg, answer.dec_deg) == pytest.approx((40.0, 30.0), abs=1e-6)
    assert answer.scale_arcsec == pytest.approx(5.0, rel=1e-6)
    assert answer.parity == 1
    assert min(answer.rotation_deg, 360 - answer.rotation_deg) < 1e-4
    assert answer.rms_arcsec < 0.01
    assert answer.crpix == (600.5, 450.5)
    assert answer.matched >= 0.95 * min(answer.n_stars, 300)


def test_a_mirrored_and_turned_frame_says_so() -> None:
    x, y, flux = visible()
    mirrored = solve_field(SHAPE[1] - 1 - x, y, flux, SHAPE, hint(), SKY)
    assert isinstance(mirrored, Solution) and mirrored.parity == -1
    upside_down = solve_field(SHAPE[1] - 1 - x, SHAPE[0] - 1 - y, flux, SHAPE, hint(), SKY)
    assert isinstance(upside_down, Solution) and upside_down.parity == 1
    assert upside_down.rotation_deg == pytest.approx(180.0, abs=1e-3)
    # A quarter turn of the array: +y, once north, is now where -x was.
    quarter = solve_field(SHAPE[0] - 1 - y, x, flux, (SHAPE[1], SHAPE[0]), hint(), SKY)
    assert isinstance(quarter, Solution) and quarter.parity == 1
    assert quarter.rotation_deg == pytest.approx(270.0, abs=1e-3)


def test_the_order_of_the_stars_does_not_matter() -> None:
    x, y, flux = visible()
    order = np.random.default_rng(0).permutation(len(x))
    first = solve_field(x, y, flux, SHAPE, hint(), SKY)
    second = solve_field(x[order], y[order], flux[order], SHAPE, hint(), SKY)
    assert isinstance(first, Solution) and isinstance(second, Solution)
    assert second.crval_deg == pytest.approx(first.crval_deg, abs=1e-9)


@pytest.mark.parametrize("count", [0, 1, 4])
def test_few_stars_are_distinguished_from_no_match(count: int) -> None:
    x, y, flux = (column[:count] for column in visible())
    answer = solve_field(x, y, flux, SHAPE, hint(), SKY)
    assert isinstance(answer, SolveFailure)
    assert answer.kind == "few_stars" and f"{count} stars" in answer.reason


def test_stars_without_numbers_are_ignored() -> None:
    x, y, flux = (column.copy() for column in visible())
    x[::7], flux[1::9] = np.nan, np.inf
    assert isinstance(solve_field(x, y, flux, SHAPE, hint(), SKY), Solution)
    nothing = np.full(20, np.nan)
    answer = solve_field(nothing, nothing, nothing, SHAPE, hint(), SKY)
    assert isinstance(answer, SolveFailure) and answer.kind == "few_stars"


def test_an_empty_part_of_the_catalogue_is_reported() -> None:
    answer = solve_field(*visible(), SHAPE, hint(ra_deg=200.0, dec_deg=-60.0), SKY)
    assert isinstance(answer, SolveFailure) and answer.kind == "few_catalogue_stars"


def test_stars_on_one_spot_are_not_a_field() -> None:
    answer = solve_field(np.full(50, 600.0), np.full(50, 400.0), np.ones(50), SHAPE, hint(), SKY)
    assert isinstance(answer, SolveFailure) and answer.kind == "no_match"


@pytest.mark.parametrize(
    "facts", [{"scale_arcsec": 0.0}, {"radius_deg": -1.0}, {"scale_tolerance": 0.7}]
)
def test_a_hint_without_sense_is_refused(facts: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="hint"):
        hint(**facts)


@pytest.mark.parametrize(("trials", "hits", "p"), [(20, 10, 0.05), (8, 8, 0.1), (100, 30, 0.02)])
def test_the_bound_on_chance_is_above_the_exact_tail(trials: int, hits: int, p: float) -> None:
    from scipy.stats import binom

    exact = float(np.log10(binom.sf(hits - 1, trials, p)))
    assert exact - 0.01 <= _log10_tail(trials, hits, p) + 1e-9
    assert _log10_tail(trials, hits, p) < exact + 2.0
    assert _log10_tail(trials, 0, p) == 0.0
