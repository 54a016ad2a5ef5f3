"""Best focus from half-flux radii measured at several focuser positions.

Far from focus the radius grows in proportion to the distance, at focus seeing and optics set a
floor; added in quadrature they make a hyperbola, hfr^2 = best^2 + (slope * distance)^2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["FocusFit", "FocusProblem", "fit_focus_curve"]

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]
FocusProblem = Literal["too_few", "flat", "inverted", "outside", "uncertain"]

_FEWEST_POINTS = 5
# Relative error of one half-flux radius where the caller knows none.
_USUAL_ERROR = 0.03
# Fits are begun from so many of the first guesses.
_STARTS = 3
# Damped steps of a fit; it needs about ten.
_MOST_STEPS = 200
# A point further off than this many robust standard deviations is left out: a tighter cut rejects
# good points of a night of bad seeing, a wider one keeps clouds and bumps.
_REJECT_SIGMA = 4.0
_LEAST_KEPT_SHARE = 0.66
# Largest radius over smallest below which a curve has no sides to fit.
_LEAST_CONTRAST = 1.15
# Uncertainty over the sampled range beyond which the minimum is a guess.
_MOST_UNCERTAIN = 0.15
# Quality below which a curve may as well be drawn through noise: a run with errors of 3 percent
# that changes the radius by only a quarter still reaches 0.8.
_LEAST_QUALITY = 0.7


@dataclass(frozen=True, eq=False)
class FocusFit:
    """The curve through the points, and whether to trust it.

    Attributes:
        ok: Whether the focuser may be sent to the best position.
        reason: For a person: what was found, or what is wrong.
        problem: What is wrong, for deciding; None when ok.
        best_position: Position of the minimum in focuser steps. Where the problem is 'outside'
            it says in which direction to look on; NaN where nothing could be fitted.
        uncertainty_steps: Its standard deviation.
        best_hfr: Radius at the minimum, in the unit of the input.
        slope: Radius gained a step, far from focus.
        rejected: True for the points left out, shape (N,).
        quality: Share of the variance of the radii that the curve explains, times the share of
            the points with stars that it kept; 0 to 1.
        kind: The curve.
    """

    ok: bool
    reason: str
    problem: FocusProblem | None
    best_position: float
    uncertainty_steps: float
    best_hfr: float
    slope: float
    rejected: Mask
    quality: float
    kind: Literal["hyperbola"] = "hyperbola"


def fit_focus_curve(
    positions: Sequence[float] | FloatArray,
    hfr: Sequence[float] | FloatArray,
    sigma: Sequence[float] | FloatArray | None = None,
) -> FocusFit:
    """Fit a hyperbola, robustly.

    The first guess is a parabola through the squared radii, which a hyperbola is. A fit with a
    soft L1 loss from there separates outliers; the rest is fitted by least squares.

    Args:
        positions: Focuser steps, shape (N,), in any order, repetitions allowed.
        hfr: Half-flux radii, shape (N,); not finite or not positive where no star was found.
        sigma: Standard deviations of the radii, shape (N,); by default 3 percent of each.

    Returns:
        The fit. Bad data raise nothing: they give `ok` False, with the reason.

    Raises:
        ValueError: The lengths differ.
    """
    p = np.asarray(positions, dtype=float)
    h = np.asarray(hfr, dtype=float)
    s = _USUAL_ERROR * np.abs(h) if sigma is None else np.asarray(sigma, dtype=float)
    if not p.shape == h.shape == s.shape or p.ndim != 1:
        raise ValueError(f"positions {p.shape}, radii {h.shape} and errors {s.shape} differ")
    usable = np.isfinite(p) & np.isfinite(h) & (h > 0) & np.isfinite(s) & (s > 0)
    if (poor := _too_poor(p, h, usable)) is not None:
        return poor
    middle = float(p[usable].mean())
    reach = float(np.ptp(p[usable])) / 2
    scaled = ((p - middle) / reach)[usable]
    curve = _robust(scaled, h[usable], s[usable])
    if curve is None:
        return _nothing("inverted", "the radii have a maximum where a minimum should be", ~usable)
    rejected = ~usable
    rejected[usable] = ~curve.kept
    quality = _explained(curve, scaled, h[usable]) * float(np.mean(curve.kept))
    fit = FocusFit(
        ok=True,
        reason="",
        problem=None,
        best_position=middle + reach * curve.centre,
        uncertainty_steps=reach * curve.centre_sigma,
        best_hfr=curve.best,
        slope=curve.slope / reach,
        rejected=rejected,
        quality=quality,
    )
    return _judged(fit, p[usable], p[~rejected], 2 * reach)


def _too_poor(p: FloatArray, h: FloatArray, usable: Mask) -> FocusFit | None:
    """Return what is said of samples that no curve can be fitted to; None if one can."""
    distinct = len(np.unique(p[usable]))
    if distinct < _FEWEST_POINTS:
        return _nothing(
            "too_few", f"{distinct} positions with stars, {_FEWEST_POINTS} are needed", ~usable
        )
    contrast = float(h[usable].max() / h[usable].min())
    if contrast < _LEAST_CONTRAST:
        return _nothing(
            "flat",
            f"the radius changes by {100 * (contrast - 1):.0f} percent over the range sampled: "
            "too little to show a minimum",
            ~usable,
        )
    return None


def _judged(fit: FocusFit, usable: FloatArray, kept: FloatArray, span: float) -> FocusFit:
    """Return the fit with its verdict, given the positions with stars and those on the curve."""
    problem: FocusProblem | None = None
    reason = f"minimum at {fit.best_position:.0f} +- {fit.uncertainty_steps:.0f} steps"
    if not kept.min() < fit.best_position < kept.max():
        problem = "outside"
        reason = (
            f"the minimum, near {fit.best_position:.0f}, lies outside the positions sampled, "
            f"{kept.min():.0f} to {kept.max():.0f}"
        )
    elif len(np.unique(kept)) < _FEWEST_POINTS or len(kept) < _LEAST_KEPT_SHARE * len(usable):
        problem = "too_few"
        reason = f"{len(kept)} of {len(usable)} points lie on one curve"
    elif not fit.uncertainty_steps <= _MOST_UNCERTAIN * span:
        problem = "uncertain"
        reason += f", too uncertain for {span:.0f} steps sampled"
    elif fit.quality < _LEAST_QUALITY:
        problem = "uncertain"
        reason = f"a curve explains only {100 * fit.quality:.0f} percent of the scatter"
    return replace(fit, ok=problem is None, reason=reason, problem=problem)


def _nothing(problem: FocusProblem, reason: str, rejected: Mask) -> FocusFit:
    unknown = float("nan")
    return FocusFit(False, reason, problem, unknown, unknown, unknown, unknown, rejected, 0.0)


@dataclass(frozen=True, eq=False)
class _Curve:
    """A hyperbola over positions scaled to -1..1."""

    centre: float
    centre_sigma: float
    best: float
    slope: float
    kept: Mask

    def at(self, u: FloatArray) -> FloatArray:
        return np.hypot(self.best, self.slope * (u - self.centre))


def _robust(u: FloatArray, h: FloatArray, s: FloatArray) -> _Curve | None:
    starts = _first_guesses(u, h, s)
    if not starts:
        return None
    everything = np.ones(len(u), dtype=np.bool_)
    fits = [_least_squares(u, h, s, everything, start, "soft_l1") for start in starts[:_STARTS]]
    curve, _ = min(fits, key=lambda entry: entry[1])
    deviation = np.abs((h - curve.at(u)) / s)
    # With few points on a good curve the median deviation is tiny by chance; hence the floor.
    spread = max(1.0, 1.4826 * float(np.median(deviation)))
    kept = deviation <= _REJECT_SIGMA * spread
    if np.count_nonzero(kept) < _FEWEST_POINTS:
        kept = everything
    return _least_squares(u, h, s, kept, (curve.centre, curve.best, curve.slope), "linear")[0]


def _first_guesses(u: FloatArray, h: FloatArray, s: FloatArray) -> list[tuple[float, float, float]]:
    """Return (centre, best, slope) of parabolas through the squared radii, the likeliest first.

    Leaving out each point in turn makes sure that one guess is free of any single outlier.
    """
    guesses: list[tuple[float, tuple[float, float, float]]] = []
    weight = 1.0 / (2.0 * h * s)
    for left_out in (-1, *range(len(u))):
        use = np.arange(len(u)) != left_out
        quadratic, linear, constant = np.polyfit(u[use], h[use] ** 2, 2, w=weight[use])
        if quadratic <= 0:
            continue
        centre = -linear / (2 * quadratic)
        floor2 = constant - quadratic * centre**2
        best = np.sqrt(max(floor2, (0.5 * h.min()) ** 2))
        guess = (float(np.clip(centre, -3, 3)), float(best), float(np.sqrt(quadratic)))
        off = (np.hypot(guess[1], guess[2] * (u - guess[0])) - h) / s
        # The same soft L1 loss that the fit minimises.
        guesses.append((float(np.sum(np.sqrt(1.0 + off**2) - 1.0)), guess))
    return [guess for _, guess in sorted(guesses)]


def _least_squares(
    u: FloatArray,
    h: FloatArray,
    s: FloatArray,
    use: Mask,
    start: tuple[float, float, float],
    loss: Literal["linear", "soft_l1"],
) -> tuple[_Curve, float]:
    """Fit centre, best and slope to the points in use; returns the curve and its cost.

    Levenberg and Marquardt's damped steps; the soft L1 loss, 2 (sqrt(1 + r^2) - 1) of the scaled
    residual r, enters as weights that are renewed at each step.
    """
    uu, hh, ss = u[use], h[use], s[use]
    least = 0.02 * float(h.min())
    low, high = np.array([-4.0, least, 1e-9]), np.array([4.0, np.inf, np.inf])
    x = np.clip(np.array([start[0], max(start[1], 2 * least), max(start[2], 1e-6)]), low, high)
    cost, residual, jacobian, weight = _linearised(x, uu, hh, ss, loss)
    damping = 1e-3
    for _ in range(_MOST_STEPS):
        normal = jacobian.T @ (weight[:, None] * jacobian)
        scale = np.diag(np.maximum(np.diag(normal), 1e-12))
        step = np.linalg.solve(normal + damping * scale, -jacobian.T @ (weight * residual))
        trial = np.clip(x + step, low, high)
        ahead = _linearised(trial, uu, hh, ss, loss)
        if ahead[0] < cost:
            settled = cost - ahead[0] <= 1e-12 * cost
            x, (cost, residual, jacobian, weight) = trial, ahead
            damping = max(damping / 5.0, 1e-12)
            if settled:
                break
        elif damping > 1e8:
            break
        else:
            damping *= 4.0
    freedom = max(1, len(uu) - 3)
    # Errors given too small would make a bad curve look certain; errors given too large are kept.
    excess = max(1.0, 2.0 * cost / freedom)
    covariance = np.linalg.pinv(jacobian.T @ (weight[:, None] * jacobian)) * excess
    sigma = float(np.sqrt(max(covariance[0, 0], 0.0)))
    return _Curve(float(x[0]), sigma, float(x[1]), float(x[2]), use), cost


def _linearised(
    x: FloatArray, u: FloatArray, h: FloatArray, s: FloatArray, loss: Literal["linear", "soft_l1"]
) -> tuple[float, FloatArray, FloatArray, FloatArray]:
    """Return cost, residuals (N,), their derivatives (N, 3) and weights (N,) at a point."""
    centre, best, slope = x
    away = u - centre
    model = np.hypot(best, slope * away)
    residual = (model - h) / s
    derivative = np.stack([-(slope**2) * away, np.full_like(u, best), slope * away**2], axis=1)
    jacobian = derivative / (model * s)[:, None]
    if loss == "linear":
        return 0.5 * float(residual @ residual), residual, jacobian, np.ones_like(u)
    root = np.sqrt(1.0 + residual**2)
    return float(np.sum(root - 1.0)), residual, jacobian, 1.0 / root


def _explained(curve: _Curve, u: FloatArray, h: FloatArray) -> float:
    """Return the share of the variance of the kept radii that the curve explains, 0 to 1."""
    left = np.mean((h - curve.at(u))[curve.kept] ** 2)
    spread = np.var(h[curve.kept])
    if spread == 0.0:
        return 0.0  # radii that are all the same are no curve
    return float(np.clip(1.0 - left / spread, 0.0, 1.0))
