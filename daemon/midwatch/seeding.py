"""The random numbers of a night, each owner's independent of all others."""

from __future__ import annotations

import hashlib

import numpy as np

__all__ = ["device_rng"]


def device_rng(seed: int, name: str) -> np.random.Generator:
    """Return the random numbers of one device in one night, independent of all others."""
    digest = hashlib.blake2b(f"{seed}/{name}".encode(), digest_size=16).digest()
    return np.random.default_rng(int.from_bytes(digest, "big"))
