"""Testing a suggested map from sky to frame: match stars, fit, and weigh against chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from midwatch.imaging.wcs import Solution, deproject, project

__all__ = ["Guess", "Match", "SkyStars", "refine"]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Pairs = tuple[NDArray[np.intp], NDArray[np.intp]]

# Reach of the match in pixels, round by round: the first takes the error of a vote and of the
# plane about the hint, the last the noise of centroids, proper motion and a little distortion.
_REACHES_PX = (12.0, 6.0, 4.0, 3.0)
_MOST_STARS = 300
_FEWEST_MATCHED = 4
# Fast stars lie off their catalogue places by more than the noise; in the last fit residuals
# beyond this many times their median size lose weight (Cauchy's function).
_ROBUST_TIMES = 2.0
_ROBUST_ROUNDS = 3
_LEAST_SCATTER_PX = 0.1
# A plane with six free numbers needs this many stars to be held; below it, four.
_FEWEST_FOR_AFFINE = 9
# Least share of the shorter list (stars of the frame, catalogue stars in it) that must match. Wrong
# maps with a scale slightly off match a few percent; haze or false detections cost a half.
_LEAST_SHARE = 0.3
_WORST_RMS_PX = 1.5
# Stars move: a decade or two after the catalogue's epoch some are seconds of arc from their places,
# which on fine pixels is more than the reach and the scatter above.
_LAST_REACH_ARCSEC = 6.0
_WORST_RMS_ARCSEC = 3.0
# Square pixels behind any air: refraction at 20 degrees altitude squeezes by a third of a percent.
_MOST_SHEAR = 0.01
# Chance of such a match by accident, times the maps that a vote weighs against each other.
_MOST_LOG10_CHANCE = -4.0
_LOG10_MAPS = 5.0


@dataclass(frozen=True, eq=False)
class SkyStars:
    """Catalogue stars on the plane that touches the sky at the hint, brightest first.

    Attributes:
        ra_deg: Right ascensions, shape (N,).
        dec_deg: Declinations, shape (N,).
        plane: Places in pixels of the hinted scale, north along the imaginary axis, shape (N,).
        tangent_deg: Where the plane touches.
        scale_arcsec: The hinted scale.
        parity: 1 when the real axis points west, -1 when it points east.
    """

    ra_deg: FloatArray
    dec_deg: FloatArray
    plane: ComplexArray
    tangent_deg: tuple[float, float]
    scale_arcsec: float
    parity: int


@dataclass(frozen=True)
class Guess:
    """A map from the plane to the frame: star = turn * (plane - place), counted from the centre."""

    turn: complex
    place: complex


@dataclass(frozen=True)
class Match:
    """A solution that passed the test, and the logarithm of its chance to be an accident."""

    solution: Solution
    log10_chance: float


def refine(
    stars: ComplexArray,
    shape: tuple[int, int],
    sky: SkyStars,
    guess: Guess,
    scale_tolerance: float,
) -> Match | None:
    """Match, fit and test one map.

    Args:
        stars: Stars of the frame from its centre as x + iy in pixels, brightest first.
        shape: Rows and columns of the frame.
        sky: The catalogue stars.
        guess: The map to start from.
        scale_tolerance: Relative error that the hinted scale may have.

    Returns:
        The match, or None when the map does not pass the test.
    """
    stars = stars[:_MOST_STARS]
    predicted = guess.turn * (sky.plane - guess.place)
    near = np.flatnonzero(_inside(predicted, shape, margin_px=_REACHES_PX[0]))[:_MOST_STARS]
    if len(near) < _FEWEST_MATCHED:
        return None
    ra, dec, predicted = sky.ra_deg[near], sky.dec_deg[near], predicted[near]
    unit = sky.scale_arcsec / 3600
    xi, eta = -sky.parity * guess.place.real * unit, guess.place.imag * unit
    centre = _lift(xi, eta, sky.tangent_deg)
    least_reach = _last_reach_px(sky.scale_arcsec)
    for number, reach in enumerate(_REACHES_PX, start=1):
        pairs = _mutual_pairs(stars, predicted, max(reach, least_reach))
        if len(pairs[0]) < _FEWEST_MATCHED:
            return None
        fit = _fit_robustly if number == len(_REACHES_PX) else _fit
        plane = fit(stars[pairs[0]], *project(ra[pairs[1]], dec[pairs[1]], *centre), sky.parity)
        if not _plausible(plane, sky, scale_tolerance):
            return None
        centre = _lift(plane[0, 2], plane[1, 2], centre)
        plane[:, 2] = 0.0
        predicted = _predict(plane, *project(ra, dec, *centre))
    return _judge(stars, shape, predicted, plane, centre, pairs, sky.parity)


def _last_reach_px(scale_arcsec: float) -> float:
    return max(_REACHES_PX[-1], _LAST_REACH_ARCSEC / scale_arcsec)


def _lift(xi: float, eta: float, tangent_deg: tuple[float, float]) -> tuple[float, float]:
    ra, dec = deproject(xi, eta, *tangent_deg)
    return float(ra), float(dec)


def _inside(
    places: ComplexArray, shape: tuple[int, int], margin_px: float = 0.0
) -> NDArray[np.bool_]:
    height, width = shape
    result: NDArray[np.bool_] = (np.abs(places.real) <= width / 2 + margin_px) & (
        np.abs(places.imag) <= height / 2 + margin_px
    )
    return result


def _mutual_pairs(stars: ComplexArray, predicted: ComplexArray, reach: float) -> Pairs:
    """Return rows of both lists that are each other's nearest, no further apart than reach."""
    distance = np.abs(stars[:, None] - predicted[None, :])
    nearest_sky = distance.argmin(axis=1)
    nearest_star = distance.argmin(axis=0)
    rows = np.arange(len(stars))
    mutual = (nearest_star[nearest_sky] == rows) & (distance[rows, nearest_sky] <= reach)
    return rows[mutual], nearest_sky[mutual]


def _fit_robustly(stars: ComplexArray, xi: FloatArray, eta: FloatArray, parity: int) -> FloatArray:
    """Fit as `_fit` does, in rounds of weights that let single stars drop out."""
    plane = _fit(stars, xi, eta, parity)
    for _ in range(_ROBUST_ROUNDS):
        off = np.abs(_predict(plane, xi - plane[0, 2], eta - plane[1, 2]) - stars)
        scale = _ROBUST_TIMES * max(float(np.median(off)), _LEAST_SCATTER_PX)
        plane = _fit(stars, xi, eta, parity, 1.0 / (1.0 + (off / scale) ** 2))
    return plane


def _fit(
    stars: ComplexArray,
    xi: FloatArray,
    eta: FloatArray,
    parity: int,
    weights: FloatArray | None = None,
) -> FloatArray:
    """Fit (xi, eta) = plane @ (x, y, 1) in degrees; returns the plane, shape (2, 3)."""
    weights = np.ones(len(stars)) if weights is None else weights
    if len(stars) >= _FEWEST_FOR_AFFINE:
        design = np.stack((stars.real, stars.imag, np.ones(len(stars))), axis=1)
        root = np.sqrt(weights)[:, None]
        fitted, *_ = np.linalg.lstsq(root * design, root * np.stack((xi, eta), axis=1), rcond=None)
        return np.ascontiguousarray(fitted.T)
    sky = -parity * xi + 1j * eta
    mean_star, mean_sky = np.average(stars, weights=weights), np.average(sky, weights=weights)
    offsets = stars - mean_star
    heavy = weights * offsets
    turn = np.vdot(heavy, sky - mean_sky) / np.vdot(heavy, offsets).real
    start = mean_sky - turn * mean_star
    return np.array(
        [
            [-parity * turn.real, parity * turn.imag, -parity * start.real],
            [turn.imag, turn.real, start.imag],
        ]
    )


def _predict(plane: FloatArray, xi: FloatArray, eta: FloatArray) -> ComplexArray:
    x, y = np.linalg.solve(plane[:, :2], np.stack((xi, eta)))
    return np.asarray(x + 1j * y, dtype=np.complex128)


def _plausible(plane: FloatArray, sky: SkyStars, scale_tolerance: float) -> bool:
    """Return whether a plane is that of square pixels of about the hinted scale and the parity."""
    cd = plane[:, :2]
    area = float(np.linalg.det(cd))
    if area * sky.parity >= 0:
        return False
    long_side, short_side = np.linalg.svd(cd, compute_uv=False)
    scale = np.sqrt(abs(area)) * 3600 / sky.scale_arcsec
    return bool(
        long_side / short_side - 1 <= _MOST_SHEAR
        and abs(np.log(scale)) <= np.log1p(scale_tolerance) + 0.002
    )


def _judge(
    stars: ComplexArray,
    shape: tuple[int, int],
    predicted: ComplexArray,
    plane: FloatArray,
    centre: tuple[float, float],
    pairs: Pairs,
    parity: int,
) -> Match | None:
    matched = len(pairs[0])
    visible = int(np.count_nonzero(_inside(predicted, shape)))
    shorter, longer = sorted((len(stars), max(visible, matched)))
    off_px = np.abs(stars[pairs[0]] - predicted[pairs[1]])
    rms_px = float(np.sqrt(np.mean(off_px**2)))
    scale_arcsec = float(np.sqrt(abs(np.linalg.det(plane[:, :2])))) * 3600
    reach_px = _last_reach_px(scale_arcsec)
    worst_rms_px = max(_WORST_RMS_PX, _WORST_RMS_ARCSEC / scale_arcsec)
    # Every two free numbers of the plane bring one pair of stars together whatever they are.
    spent = 3 if matched >= _FEWEST_FOR_AFFINE else 2
    # A few stars that fit closely say as much as more that fit loosely.
    chance = _LOG10_MAPS + min(
        _log10_tail(
            shorter - spent,
            int(np.count_nonzero(off_px <= reach)) - spent,
            min(longer * np.pi * reach**2 / (shape[0] * shape[1]), 0.5),
        )
        for reach in (_REACHES_PX[-1], reach_px)
    )
    if matched < _LEAST_SHARE * shorter or rms_px > worst_rms_px or chance > _MOST_LOG10_CHANCE:
        return None
    (cd11, cd12), (cd21, cd22) = plane[:, :2].tolist()
    solution = Solution(
        ra_deg=centre[0],
        dec_deg=centre[1],
        rotation_deg=float(np.degrees(np.arctan2(cd12, cd22)) % 360.0),
        scale_arcsec=scale_arcsec,
        parity=parity,
        rms_arcsec=rms_px * scale_arcsec,
        matched=matched,
        n_stars=len(stars),
        shape=shape,
        crpix=((shape[1] + 1) / 2, (shape[0] + 1) / 2),
        crval_deg=centre,
        cd=((cd11, cd12), (cd21, cd22)),
    )
    return Match(solution, chance)


def _log10_tail(trials: int, hits: int, probability: float) -> float:
    """Bound the logarithm of the chance of so many hits or more among independent trials.

    The Chernoff bound of the binomial distribution: trials times the relative entropy of the
    observed and the expected share (Hoeffding 1963, theorem 1).
    """
    if trials <= 0 or hits <= trials * probability:
        return 0.0
    share = min(hits / trials, 1.0)
    entropy = share * np.log(share / probability)
    if share < 1.0:
        entropy += (1 - share) * np.log((1 - share) / (1 - probability))
    return float(-trials * entropy / np.log(10))
