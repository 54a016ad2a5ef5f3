"""Promises 1 and 3 of a polar alignment, from what was journaled of it."""

from __future__ import annotations

import pytest

from midwatch.journal.facts import night_facts as e
from midwatch.journal.promises import check_alignment
from support.journal_story import CONTEXT, as_events, began

LIMIT_S = CONTEXT.close_within_s
Seen = tuple[float, e.Fact]


def decided(at_s: float, duty: str = "secure", rule: str = "safety") -> Seen:
    return at_s, e.DecisionMade(duty=duty, args={}, rule=rule, reason="rain")


def moved(at_s: float, what: str = "park", **changes: object) -> Seen:
    fact = e.MotionEnded(
        what=what, alt_deg=46.0, horizon_deg=10.0, hour_angle_deg=0.0, pier_side="west",
        sun_distance_deg=None, within_limits=True,
    )  # fmt: skip
    return at_s, fact.model_copy(update=changes)


def ended(at_s: float, duty: str = "secure", outcome: str = "done") -> Seen:
    return at_s, e.DutyEnded(duty=duty, outcome=outcome, took_s=1.0)  # type: ignore[arg-type]


def judged(*seen: Seen) -> dict[int, bool | None]:
    promises = check_alignment(as_events((0.0, began(0.0, 5000.0)), *seen), CONTEXT)
    return {promise.number: promise.ok for promise in promises}


SLEWED = moved(100.0, "field 1 of 3")


def test_an_alignment_in_good_weather_is_asked_for_its_limits_alone() -> None:
    assert judged(SLEWED, moved(300.0), ended(330.0, "close")) == {1: True}


def test_a_motion_that_ends_outside_the_limits_breaks_the_first() -> None:
    low = moved(100.0, "tracking", alt_deg=9.0)
    assert judged(low, moved(300.0), ended(330.0, "close"))[1] is False


@pytest.mark.parametrize(
    ("seen", "kept"),
    [
        ([moved(260.0), ended(290.0)], True),
        ([moved(260.0), ended(270.0, outcome="failed"), ended(400.0, "close")], True),
        ([moved(260.0), ended(270.0, outcome="failed")], False),
        ([moved(260.0), ended(200.0 + LIMIT_S + 1.0)], False),
        ([moved(200.0 + LIMIT_S + 1.0), ended(200.0 + LIMIT_S + 2.0)], False),
        ([ended(210.0)], False),
        ([], False),
    ],
)
def test_from_the_first_unsafe_moment_it_is_parked_and_closed_in_time(
    seen: list[Seen], kept: bool
) -> None:
    assert judged(SLEWED, decided(200.0), *seen)[3] is kept
