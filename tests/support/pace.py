"""How fast this machine goes now, and how long a test of real processes waits for a fact.

A test waits for facts. Its limits only end one that hangs: whether the machine is busy must not
decide what a test says. Scaled time is harder, since it multiplies whatever the machine is late
by: at a hundred times the speed of time, 0.2 s without a processor are 20 s in which a device
does not answer. So such nights go slower where work takes longer.
"""

from __future__ import annotations

import hashlib
import time

# Nothing waits as long for anything that still happens, even with eight others for a processor;
# below the limit of pytest, so that a test says what it waited for. Much longer, and a broken
# program keeps everybody waiting.
LIMIT_S = 900.0
LIMIT_MS = 1000.0 * LIMIT_S

_TURNS = 40
# What a turn takes on an idle machine of the kind that the speeds of the tests were chosen on.
_TURN_S = 0.005
# The speeds were chosen with as many other tests under way as there are processors.
_USUAL = 2.0


def slowness() -> float:
    """Return how much longer than on an idle machine work takes now; takes a quarter second."""
    began_s = time.perf_counter()
    for _ in range(_TURNS):
        hashlib.pbkdf2_hmac("sha256", b"midwatch", b"pace", 12_000)
    return (time.perf_counter() - began_s) / (_TURNS * _TURN_S)


def speed(fastest: float) -> float:
    """Return how many times as fast as real time a night of real processes may go now.

    Args:
        fastest: where nothing but other tests keeps the machine busy.
    """
    return round(fastest / _busy(), 1)


def stretched(seconds: float) -> float:
    """Return how long what takes `seconds` at most may take now."""
    return seconds * _busy()


def _busy() -> float:
    return max(1.0, slowness() / _USUAL)
