from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from midwatch.imaging.focus.curve import fit_focus_curve

POSITIONS = np.arange(9400.0, 10601.0, 200.0)
RADII = np.array([6.9494, 4.8980, 2.9648, 1.6406, 2.3865, 4.2191, 6.2458])


def test_a_curve_as_scipy_fits_it() -> None:
    """Minimum 10034, radius 1.6, half width 150: from curve_fit of scipy, run once and again."""
    fit = fit_focus_curve(POSITIONS, RADII)
    assert fit.ok
    assert fit.best_position == pytest.approx(10_034, abs=2)
    assert fit.best_hfr == pytest.approx(1.6, abs=0.01)
    assert fit.best_hfr / fit.slope == pytest.approx(150, abs=2)
    again, _ = curve_fit(
        lambda p, centre, best, width: best * np.sqrt(1 + ((p - centre) / width) ** 2),
        POSITIONS,
        RADII,
        p0=(10_000, 2, 100),
    )
    assert fit.best_position == pytest.approx(again[0], abs=0.5)


def test_the_uncertainty_as_scipy_gives_it() -> None:
    rng = np.random.default_rng(2)
    sigma = np.full(len(RADII), 0.1)
    noisy = RADII + rng.normal(0, 0.1, len(RADII))
    _, covariance = curve_fit(
        lambda p, centre, best, width: best * np.sqrt(1 + ((p - centre) / width) ** 2),
        POSITIONS,
        noisy,
        p0=(10_000, 2, 100),
        sigma=sigma,
        absolute_sigma=True,
    )
    fit = fit_focus_curve(POSITIONS, noisy, sigma)
    assert not fit.rejected.any()
    ratio = fit.uncertainty_steps / np.sqrt(covariance[0, 0])
    # Ours grows with the scatter where that exceeds the errors given, and never shrinks.
    assert 0.98 < ratio < 1.8
