"""Exposures without guiding on a mount whose worm draws stars out: what a night of them brings."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from types import SimpleNamespace
from typing import Any, cast

import pytest

from midwatch.journal.facts import FrameBegun, FrameGraded, FrameRead
from midwatch.journal.record import NightRecord
from midwatch.sequencer.facts.unguided import lengths_of, longest_unguided_s

ORDERED_S, SHORTEST_S, OVERHEAD_S = 180.0, 20.0, 6.0
BOUND, DOUBT = 1.5, 0.8  # of the shipped grading
SIGMA_ARCSEC, ROUND = 4.0 / 2.3548, 1.05
HOURS = 1.5


def worm_arcsec(at_s: float, size: float) -> float:
    """Return where a worm of 430 s has the stars, with harmonics as light mounts have them."""
    turn = 2.0 * math.pi * at_s / 430.0
    return size / 2.0 * (math.sin(turn) + 0.35 * math.sin(2.0 * turn) + 0.2 * math.sin(3.0 * turn))


def elongation(from_s: float, exposure_s: float, size: float) -> float:
    """Return the axis ratio: variances of the star and of where it was add up along the motion."""
    count = 12
    places = [worm_arcsec(from_s + exposure_s * (n + 0.5) / count, size) for n in range(count)]
    mean = sum(places) / count
    spread = sum((place - mean) ** 2 for place in places) / count
    return ROUND * math.sqrt(1.0 + spread / SIGMA_ARCSEC**2)


def graded(seen: float) -> Any:
    share = (seen - 1.0) / (BOUND - 1.0)
    return "rejected" if share >= 1.0 else "doubtful" if share >= DOUBT else "accepted"


class Night:
    """Takes unguided frames one after the other, of the length that is chosen each time."""

    def __init__(self, size: float) -> None:
        self.record = NightRecord()
        self.size, self.now_s = size, 0.0
        self.accepted_s: dict[float, float] = {}
        self.lengths: list[float] = []

    def take(self, exposure_s: float) -> None:
        name = f"e-{len(self.lengths)}"
        seen = elongation(self.now_s, exposure_s, self.size)
        grade = graded(seen)
        for fact in (
            FrameBegun(
                exposure_id=name, frame="light", target="A", order_index=0, filter=None,
                exposure_s=exposure_s, gain=0, offset=0, binning=1,
            ),
            FrameRead(
                exposure_id=name, sha256="0" * 64, began_utc_s=self.now_s, exposure_s=exposure_s
            ),
            FrameGraded(
                exposure_id=name, grade=grade, elongation=seen, guided=False, fwhm_arcsec=4.0
            ),
        ):  # fmt: skip
            self.record.apply(cast("Any", SimpleNamespace(at_utc_s=self.now_s, fact=fact)))
        self.lengths.append(exposure_s)
        self.accepted_s[exposure_s] = self.accepted_s.get(exposure_s, 0.0) + (
            exposure_s if grade == "accepted" else 0.0
        )
        self.now_s += exposure_s + OVERHEAD_S

    def kept(self) -> float:
        """Return the accepted share of the time."""
        return sum(self.accepted_s.values()) / self.now_s


@cache
def chosen(size: float) -> Night:
    night = Night(size)
    lengths = lengths_of([ORDERED_S], SHORTEST_S)
    while night.now_s < 3600.0 * HOURS:
        night.take(longest_unguided_s(night.record, BOUND, None, lengths))
    return night


def of_one_length(size: float, exposure_s: float) -> float:
    """Return the accepted share of the time with frames of one length."""
    now_s = accepted_s = 0.0
    while now_s < 3600.0 * HOURS:
        if graded(elongation(now_s, exposure_s, size)) == "accepted":
            accepted_s += exposure_s
        now_s += exposure_s + OVERHEAD_S
    return accepted_s / now_s


@pytest.mark.parametrize("size", [4.0, 12.0, 36.0])
def test_a_night_without_guiding_is_nearly_as_good_as_its_best_length(size: float) -> None:
    best = max(of_one_length(size, s) for s in lengths_of([ORDERED_S], SHORTEST_S))
    assert chosen(size).kept() >= 0.9 * best


@pytest.mark.parametrize("size", [4.0, 12.0, 36.0])
def test_few_lengths_are_used_and_the_night_stays_with_one(size: float) -> None:
    night = chosen(size)
    assert len(set(night.lengths)) <= 4
    late = night.lengths[len(night.lengths) // 4 :]
    changes = sum(a != b for a, b in pairwise(late))
    assert changes <= 3


def test_lengths_are_whole_parts_and_orders_share_them() -> None:
    assert lengths_of([180.0], 20.0) == (180.0, 90.0, 45.0, 22.5)
    assert lengths_of([600.0, 300.0], 60.0) == (600.0, 300.0, 150.0, 75.0)
    assert lengths_of([15.0], 20.0) == (15.0,)
