"""Plate solving near a known place: which stars are these, and where does the frame point?

The brightest stars of the frame are joined to pairs, and so are those of the catalogue cone. Two
pairs of equal length suggest one map from sky to frame. Wrong pairs suggest maps at random, right
pairs agree, so the maps with the most votes are tried: stars are matched through each, the map is
fitted again by least squares, and the match must be far better than chance would give.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.solving.star_matching import Guess, Match, SkyStars, refine
from midwatch.imaging.wcs import Solution, project
from midwatch.sky.catalogues import SkyCatalogue, StarList

__all__ = ["FieldHint", "SolveFailure", "solve_field"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# Stars of the frame that are joined to pairs: fewer fail where many are false detections, more
# cost time with the square.
_PAIRED_STARS = 22
_FEWEST_STARS = 5
# Catalogue stars for each frame star on the same area: passbands order stars differently, and
# some stars of the frame are missing.
_SURPLUS = 1.6
_MOST_PAIRED_SKY_STARS = 450
# A poor field in rich surroundings must not drown among its neighbours' brighter stars.
_FEWEST_PAIRED_SKY_STARS = 150
_MOST_CHECKED_SKY_STARS = 4000
# A pair shorter than this share of the diagonal turns centroid errors into large rotations.
_SHORTEST_PAIR = 0.12
# Cells of the vote. Smaller ones scatter right votes, larger ones collect wrong ones.
_CELL_SCALE = 0.006
_CELLS_AROUND = 785
_CELL_PLACE_PX = 12.0
_TRIED_CELLS = 8
# How far a known rotation may have moved since it was learned.
_ROTATION_SLACK_DEG = 2.0
# A match this unlikely to be an accident ends the search.
_BEYOND_DOUBT_LOG10 = -15.0


@dataclass(frozen=True)
class FieldHint:
    """What is known of a frame beforehand.

    Attributes:
        ra_deg: Right ascension near which the centre of the frame lies, ICRS.
        dec_deg: Declination near which it lies.
        radius_deg: How far from there the centre may be.
        scale_arcsec: Arcseconds a pixel.
        scale_tolerance: Relative error the scale may have.
        parity: 1 or -1 as in `Solution`; None tries both.
        rotation_deg: Position angle of +y as in `Solution`, good to 2 degrees or turned by 180
            as after a meridian flip. It makes solving quick; None, or a wrong one, tries all.
    """

    ra_deg: float
    dec_deg: float
    radius_deg: float
    scale_arcsec: float
    scale_tolerance: float = 0.02
    parity: Literal[1, -1] | None = None
    rotation_deg: float | None = None

    def __post_init__(self) -> None:
        if not (self.scale_arcsec > 0 and 0 < self.scale_tolerance < 0.5 and self.radius_deg > 0):
            raise ValueError("scale and radius of a hint are positive, the tolerance is below 0.5")


@dataclass(frozen=True)
class SolveFailure:
    """Why a frame was not solved.

    Attributes:
        kind: The cause, for deciding what to do next.
        reason: The same for a person, with numbers.
        expected_stars: Catalogue stars that a frame of this size holds there on average; None
            where they were not counted.
    """

    kind: Literal["few_stars", "few_catalogue_stars", "no_match", "not_installed"]
    reason: str
    expected_stars: float | None = None


def solve_field(
    x_px: FloatArray,
    y_px: FloatArray,
    flux: FloatArray,
    shape: tuple[int, int],
    hint: FieldHint,
    catalogue: SkyCatalogue,
) -> Solution | SolveFailure:
    """Find where a frame points.

    Args:
        x_px: Star centroids along x, counted from zero at pixel centres, shape (N,).
        y_px: Star centroids along y, shape (N,).
        flux: Light of the stars in any unit, shape (N,); only its order counts.
        shape: Rows and columns of the frame.
        hint: Where to look.
        catalogue: The stars of the sky.

    Returns:
        The solution, or why there is none. Stars with numbers that are not finite are ignored.
    """
    stars = _brightest_first(x_px, y_px, flux, shape)
    if len(stars) < _FEWEST_STARS:
        return SolveFailure(
            "few_stars", f"{len(stars)} stars in the frame, at least {_FEWEST_STARS} are needed"
        )
    radius_deg = hint.radius_deg + np.hypot(*shape) / 2 * hint.scale_arcsec / 3600
    cone = catalogue.near(hint.ra_deg, hint.dec_deg, radius_deg)
    if len(cone) < _FEWEST_STARS:
        return SolveFailure(
            "few_catalogue_stars",
            f"{len(cone)} catalogue stars within {radius_deg:.2f} degrees of the place to search",
        )
    parities: tuple[int, ...] = (1, -1) if hint.parity is None else (hint.parity,)
    rotations = (None,) if hint.rotation_deg is None else (hint.rotation_deg, None)
    for rotation_deg in rotations:
        match = None
        for parity in parities:
            match = _better(match, _search(stars, shape, hint, parity, rotation_deg, cone))
            if match is not None and match.log10_chance < _BEYOND_DOUBT_LOG10:
                break
        if match is not None:
            return match.solution
    return SolveFailure(
        "no_match",
        f"{len(stars)} stars match no field within {hint.radius_deg:g} degrees of "
        f"{hint.ra_deg:.3f} {hint.dec_deg:+.3f} at {hint.scale_arcsec:.3f} arcsec a pixel",
    )


def _better(first: Match | None, second: Match | None) -> Match | None:
    if first is None or second is None:
        return first or second
    return first if first.log10_chance <= second.log10_chance else second


def _brightest_first(
    x_px: FloatArray, y_px: FloatArray, flux: FloatArray, shape: tuple[int, int]
) -> ComplexArray:
    """Return places from the centre of the frame as x + iy, brightest first."""
    height, width = shape
    places = (x_px - (width - 1) / 2) + 1j * (y_px - (height - 1) / 2)
    usable = np.isfinite(places) & np.isfinite(flux)
    order = np.argsort(-np.where(usable, flux, -np.inf), kind="stable")
    return np.asarray(places[order[: np.count_nonzero(usable)]], dtype=np.complex128)


def _search(
    stars: ComplexArray,
    shape: tuple[int, int],
    hint: FieldHint,
    parity: int,
    rotation_deg: float | None,
    cone: StarList,
) -> Match | None:
    """Vote for maps of one parity and return the best that passes the test."""
    listed = cone.take(np.arange(min(len(cone), _MOST_CHECKED_SKY_STARS)))
    xi, eta = project(listed.ra_deg, listed.dec_deg, hint.ra_deg, hint.dec_deg)
    sky = SkyStars(
        listed.ra_deg,
        listed.dec_deg,
        np.asarray((-parity * xi + 1j * eta) * 3600 / hint.scale_arcsec, dtype=np.complex128),
        (hint.ra_deg, hint.dec_deg),
        hint.scale_arcsec,
        parity,
    )
    paired = stars[:_PAIRED_STARS]
    diagonal_px = float(np.hypot(*shape))
    cone_px = hint.radius_deg * 3600 / hint.scale_arcsec + diagonal_px / 2
    per_frame = _SURPLUS * len(paired) * np.pi * cone_px**2 / (shape[0] * shape[1])
    listed_count = max(int(per_frame), _FEWEST_PAIRED_SKY_STARS)
    plane = sky.plane[: min(listed_count, _MOST_PAIRED_SKY_STARS)]
    turns, places = _suggest(paired, plane[np.isfinite(plane)], diagonal_px, hint.scale_tolerance)
    if rotation_deg is not None:
        # Doubling the angle makes the frame before and after a flip one and the same.
        expected = np.exp(-2j * parity * np.radians(rotation_deg))
        off = np.abs(np.angle(turns**2 / expected)) / 2
        keep = off <= np.radians(_ROTATION_SLACK_DEG)
        turns, places = turns[keep], places[keep]
    best: Match | None = None
    for guess in _elect(turns, places):
        best = _better(best, refine(stars, shape, sky, guess, hint.scale_tolerance))
        if best is not None and best.log10_chance < _BEYOND_DOUBT_LOG10:
            break
    return best


def _suggest(
    stars: ComplexArray, plane: ComplexArray, diagonal_px: float, scale_tolerance: float
) -> tuple[ComplexArray, ComplexArray]:
    """Return the map that each two pairs of equal length suggest: turns and places."""
    first, second = np.triu_indices(len(stars), 1)
    arms = stars[second] - stars[first]
    long_enough = np.abs(arms) >= _SHORTEST_PAIR * diagonal_px
    first, second, arms = first[long_enough], second[long_enough], arms[long_enough]
    # Each catalogue pair is taken in both directions.
    gaps = plane[None, :] - plane[:, None]
    sizes = np.abs(gaps)
    wide = 1 + scale_tolerance
    fitting = (sizes >= _SHORTEST_PAIR * diagonal_px / wide) & (sizes <= diagonal_px * wide)
    start, end = np.nonzero(fitting)
    order = np.argsort(sizes[start, end], kind="stable")
    start, end = start[order], end[order]
    lengths = sizes[start, end]
    low = np.searchsorted(lengths, np.abs(arms) / wide)
    high = np.searchsorted(lengths, np.abs(arms) * wide)
    counts = high - low
    row = np.repeat(np.arange(len(arms)), counts)
    partner = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts) + low[row]
    start, end = start[partner], end[partner]
    turns = arms[row] / gaps[start, end]
    middle_star = (stars[first] + stars[second])[row] / 2
    return turns, (plane[start] + plane[end]) / 2 - middle_star / turns


def _elect(turns: ComplexArray, places: ComplexArray) -> list[Guess]:
    """Return the maps on which most suggestions agree, the most supported first.

    Votes are counted in two grids half a cell apart, so that no map is lost on an edge.
    """
    if len(turns) == 0:
        return []
    elected: list[tuple[int, Guess]] = []
    cells = np.stack(
        (
            np.log(np.abs(turns)) / _CELL_SCALE,
            (np.angle(turns) / (2 * np.pi) + 0.5) * _CELLS_AROUND,
            places.real / _CELL_PLACE_PX,
            places.imag / _CELL_PLACE_PX,
        )
    )
    for shift in (0.0, 0.5):
        numbers = np.floor(cells + shift).astype(np.int64)
        numbers[1] %= _CELLS_AROUND
        keys = np.zeros(len(turns), dtype=np.int64)
        for axis in numbers:
            keys = keys * (axis.max() - axis.min() + 1) + axis - axis.min()
        order = np.argsort(keys, kind="stable")
        edges = np.flatnonzero(np.diff(keys[order], prepend=-1, append=-1))
        votes = np.diff(edges)
        for cell in np.argsort(-votes, kind="stable")[:_TRIED_CELLS]:
            members = order[edges[cell] : edges[cell + 1]]
            guess = Guess(complex(turns[members].mean()), complex(places[members].mean()))
            elected.append((int(votes[cell]), guess))
    elected.sort(key=lambda entry: -entry[0])
    return [guess for _, guess in elected]
