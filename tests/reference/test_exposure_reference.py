"""Exposure formulas against closed forms, handbook examples and simulated counts of electrons."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from midwatch.imaging import pair_noise, shortest_sub_s, signal_to_noise, sky_rate_e_s
from midwatch.imaging.exposure_noise import gain_and_read_noise, stack_noise_ratio, time_to_snr_s


@pytest.mark.parametrize(
    ("read_noise_e", "sky_e_s", "expected_s"),
    [
        (1.5, 0.5, (111.4, 43.9, 21.4)),
        (1.5, 2.0, (27.8, 11.0, 5.4)),
        (3.5, 0.5, (606.4, 239.0, 116.7)),
    ],
)
def test_shortest_sub_exposure(
    read_noise_e: float, sky_e_s: float, expected_s: tuple[float, float, float]
) -> None:
    """Values of t = R^2 / (P ((1+p)^2 - 1)) for p of 2, 5 and 10 percent, by hand to 0.1 s."""
    for rise, expected in zip((0.02, 0.05, 0.10), expected_s, strict=True):
        sub_s = shortest_sub_s(read_noise_e, sky_e_s, rise)
        assert sub_s == pytest.approx(expected, abs=0.1)
        # The definition: the noise of a stack of such frames is (1 + p) times the sky's alone.
        frames = 37
        assert stack_noise_ratio(read_noise_e, sky_e_s, frames * sub_s, frames) == pytest.approx(
            1.0 + rise, rel=1e-12
        )


def test_noise_of_many_subs_against_one_without_read_noise() -> None:
    """Arithmetic: sqrt(1 + N R^2 / (P T)) for sky 1.5 e-/s, 3600 s, R 1.5 e-."""
    for frames, expected in ((30, 1.0062), (120, 1.0247), (720, 1.1402)):
        assert stack_noise_ratio(1.5, 1.5, 3600.0, frames) == pytest.approx(expected, abs=1e-4)


def test_ccd_equation() -> None:
    """Howell, Handbook of CCD Astronomy (form from memory): S 2, B 1.5, D 0.02, R 1.5, 20 px."""
    one = signal_to_noise(2.0, 1.5, 0.02, 1.5, 20.0, 120.0)
    thirty = signal_to_noise(2.0, 1.5, 0.02, 1.5, 20.0, 120.0, 30)
    assert one == pytest.approx(3.827, abs=0.001)
    assert thirty == pytest.approx(20.961, abs=0.001)
    assert thirty / one == pytest.approx(math.sqrt(30.0), rel=1e-12)


def test_time_to_a_signal_to_noise_ratio() -> None:
    """The quadratic's root is 20251 s for SNR 50 (by hand); scipy finds the same by bisection."""
    at_s = time_to_snr_s(50.0, 2.0, 1.5, 0.02, 1.5, 20.0)
    assert at_s == pytest.approx(20251.0, abs=1.0)

    def short(t: float) -> float:
        return signal_to_noise(2.0, 1.5, 0.02, 1.5, 20.0, t) - 50.0

    assert at_s == pytest.approx(brentq(short, 1.0, 1e6), rel=1e-9)


def test_gain_and_read_noise_of_pairs() -> None:
    """Janesick and Howell (form from memory): 0.97596 e-/ADU and 4.083 e-."""
    gain, noise_e = gain_and_read_noise((20_500.0, 20_480.0), (500.0, 500.0), 41_000.0, 35.0)
    assert gain == pytest.approx(0.97596, abs=1e-5)
    assert noise_e == pytest.approx(4.083, abs=0.001)


def test_pair_noise_finds_the_noise_put_in_whatever_else_the_frames_show() -> None:
    """Against normal noise drawn by numpy over a fixed pattern with hot pixels and strikes."""
    rng = np.random.default_rng(17)
    pattern = 500.0 + 40.0 * rng.random((400, 500))
    pattern.flat[rng.integers(0, pattern.size, 40)] += 20_000.0
    for noise_adu in (0.8, 2.5, 12.0):
        one, other = (
            np.rint(pattern + noise_adu * rng.standard_normal(pattern.shape)).astype(np.uint16)
            for _ in range(2)
        )
        other.flat[rng.integers(0, other.size, 60)] = 60_000
        # Rounding to whole numbers adds a twelfth to the variance.
        expected = math.sqrt(noise_adu**2 + 1.0 / 12.0)
        assert pair_noise(one, other) == pytest.approx(expected, rel=0.02)


def test_the_ccd_equation_agrees_with_counted_electrons() -> None:
    """Against Poisson counts drawn by numpy: mean over deviation of the summed source."""
    rng = np.random.default_rng(3)
    pixels, exposure_s, read_noise_e = 16, 60.0, 2.0
    source, sky, dark = 3.0, 0.8, 0.05
    counts = rng.poisson(source * exposure_s, 40_000) + rng.poisson(
        pixels * (sky + dark) * exposure_s, 40_000
    )
    measured = counts + rng.normal(0.0, read_noise_e * math.sqrt(pixels), 40_000)
    snr = source * exposure_s / float(np.std(measured))
    assert signal_to_noise(source, sky, dark, read_noise_e, pixels, exposure_s) == pytest.approx(
        snr, rel=0.02
    )


def test_sky_rate_and_degenerate_input() -> None:
    assert sky_rate_e_s(1600.0, 600.0, 0.25, 300.0, 0.02) == pytest.approx(250.0 / 300.0 - 0.02)
    assert sky_rate_e_s(500.0, 600.0, 0.25, 300.0) == 0.0
    assert shortest_sub_s(0.0, 1.0) == 0.0
    assert math.isinf(shortest_sub_s(1.0, 0.0))
    assert math.isinf(time_to_snr_s(10.0, 0.0, 1.0, 0.0, 1.0, 4.0))
    assert signal_to_noise(0.0, 1.0, 0.0, 1.0, 4.0, 60.0) == 0.0
    for call in (
        lambda: shortest_sub_s(-1.0, 1.0),
        lambda: shortest_sub_s(1.0, 1.0, 0.0),
        lambda: sky_rate_e_s(1.0, 0.0, 1.0, 0.0),
        lambda: stack_noise_ratio(1.0, 0.0, 10.0, 1),
        lambda: gain_and_read_noise((10.0, 10.0), (10.0, 10.0), 5.0, 1.0),
        lambda: pair_noise(np.zeros((2, 2), np.uint16), np.zeros((3, 2), np.uint16)),
    ):
        with pytest.raises(ValueError):
            call()
