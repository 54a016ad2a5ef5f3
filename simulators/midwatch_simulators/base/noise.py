"""Repeatable noise.

A reading that is asked for twice must be the same twice, and asking must not change what comes
after. So noise is not drawn from a running generator but is a function of a seed and of what the
noise belongs to: an instant, a counter, a cell of the sky.
"""

from __future__ import annotations

import math
from functools import lru_cache
from hashlib import blake2b

import numpy as np

_TWO_PI = 2.0 * math.pi
_LARGEST = float(2**64)


def draw_seed(rng: np.random.Generator) -> int:
    """Draw the one number from which all noise of a device follows."""
    return int(rng.integers(2**53))


def derived_seed(seed: int, *names: int | str) -> int:
    """Return a seed of 64 bits for one purpose; equal arguments give equal seeds."""
    text = "/".join(str(part) for part in (seed, *names))
    return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "little")


def generator(seed: int, *names: int | str) -> np.random.Generator:
    """Return a generator for one purpose; SFC64 is the quickest that NumPy has."""
    return np.random.Generator(np.random.SFC64(derived_seed(seed, *names)))


def unit(seed: int, *names: int | str) -> float:
    """Return a number from (0, 1), evenly spread."""
    return (derived_seed(seed, *names) + 0.5) / _LARGEST


def normal(seed: int, *names: int | str) -> float:
    """Return a number from the standard normal distribution (Box and Muller 1958)."""
    radius = math.sqrt(-2.0 * math.log(unit(seed, *names, "radius")))
    return radius * math.cos(_TWO_PI * unit(seed, *names, "angle"))


@lru_cache(maxsize=4096)
def _knot(seed: int, name: str, index: int) -> float:
    return normal(seed, name, index)


def smooth(seed: int, name: str, x: float) -> float:
    """Return slowly wandering noise at `x`; values more than 2 apart are independent.

    Standard normal knots at the whole numbers, joined so that value and slope are continuous and
    the variance is one everywhere.
    """
    left = math.floor(x)
    share = x - left
    share = share * share * (3.0 - 2.0 * share)
    a, b = _knot(seed, name, left), _knot(seed, name, left + 1)
    weight = math.hypot(share, 1.0 - share)
    return (a * (1.0 - share) + b * share) / weight
