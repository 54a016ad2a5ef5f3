"""Nights in which what is due at the same instant happens in another order.

On a real machine two timers for one instant may fire in either order. Nothing that the user cares
about hangs on it: each of these nights keeps its promises, and what was lost is what the faults
cost in the plain order as well.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from midwatch.journal.facts import NightBegan, TiesShuffled
from midwatch.journal.store import digest_of_events
from support.fault_nights import EXPOSURE_S, FaultNight, rehearsed

# A link that comes back, a daemon that dies and a broker that starts again set many timers for
# the same instants: heartbeats, leases, answers and their deadlines.
FAULTS = ("camera-unplugged@19:58+2m", "daemon-killed@20:20+1m", "broker-restart@20:40+20s")


@cache
def shuffled(seed: int) -> FaultNight:
    with TemporaryDirectory() as folder:
        night = rehearsed(Path(folder), *FAULTS, shuffle=seed)
        night.check_frames()  # looks at the files
        return night


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_night_keeps_its_promises_in_any_order_of_equal_instants(seed: int) -> None:
    night, plain = shuffled(seed), shuffled(0)
    night.check_promises()
    night.check_rest()
    assert night.witness.moved_under_roof() == []
    assert abs(night.integration_s - plain.integration_s) <= 2 * EXPOSURE_S
    assert [f.fault_id for f in night.faults] == [f.fault_id for f in plain.faults]


def test_another_order_is_another_course_of_the_night() -> None:
    digests = {digest_of_events(shuffled(seed).events) for seed in (0, 1, 2, 3)}
    assert len(digests) == 4, "where nothing is shuffled, nothing is tried"


def test_the_same_seed_shuffles_alike(tmp_path: Path) -> None:
    again = rehearsed(tmp_path, *FAULTS, shuffle=2)
    assert [e.digest for e in again.events] == [e.digest for e in shuffled(2).events]


def test_a_shuffled_night_says_how_to_see_it_again() -> None:
    night = shuffled(3)
    assert {fact.seed for _, fact in night.of(TiesShuffled.kind)} == {3}
    assert len(night.of(TiesShuffled.kind)) == len(night.of(NightBegan.kind)) == 2  # one a life
    (ninth,) = [p for p in night.outcome.summary.promises if p.number == 9]
    assert "--seed 1 --shuffle 3" in ninth.detail.replace("seed 1 and", "--seed 1")
    assert shuffled(0).of(TiesShuffled.kind) == []
