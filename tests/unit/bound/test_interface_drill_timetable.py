"""The best schedule of a night, against hand counts and an independent search of all schedules."""

from __future__ import annotations

import math
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.bound import Gaps
from midwatch.bound.foresight import closed_by_hand, priced_bound_s
from midwatch.bound.lost_light import Dark
from midwatch.bound.timetable import Place, Steps, best_schedule
from midwatch.journal.facts import OperatorSpoke
from support.journal_story import as_events

FREE = Steps(Gaps(plain=10.0), 0)
NIGHT = (0.0, 3600.0)


def place(target: str = "A", spans=((0.0, 3600.0),), lengths=(300.0,)) -> Place:
    return Place(target, spans, lengths)


def worth_s(places, darks=(), steps=FREE, hours=NIGHT) -> float:
    return best_schedule(places, darks, steps, {p.target: 1.0 for p in places}, hours).worth_s


def test_whole_exposures_fill_an_hour_with_their_gaps():
    # n exposures and n - 1 gaps: 11 x 300 + 10 x 10 = 3400 s fit, 12 x 300 + 11 x 10 do not.
    schedule = best_schedule([place()], [], FREE, {"A": 1.0}, NIGHT)
    assert schedule.worth_s == pytest.approx(3300.0)
    assert schedule.taken_s == {"A": pytest.approx(3300.0)}


def test_shorter_exposures_fill_what_longer_ones_leave():
    # 11 x 300 + 11 x 10 = 3410 s, and 190 s are left.
    assert worth_s([place(lengths=(300.0, 180.0))]) == pytest.approx(3480.0)


def test_dithers_cost_their_gap_as_often_as_ordered_and_as_long_as_they_bind():
    gaps = Gaps(plain=10.0, dithered=40.0)
    # Every second gap takes 40 s: 10 exposures and 9 gaps take 3000 + 5 x 10 + 4 x 40 = 3210 s,
    # one more 3210 + 340 = 3550 s.
    assert worth_s([place()], steps=Steps(gaps, 2)) == pytest.approx(3300.0)
    # After each: 3000 + 9 x 40 = 3360 s; one more exposure does not fit any more.
    assert worth_s([place()], steps=Steps(gaps, 1)) == pytest.approx(3000.0)
    # They may be left out all night.
    free = Steps(gaps, 1, ((0.0, 3600.0),))
    assert worth_s([place()], steps=free) == pytest.approx(3300.0)
    # Left out where the first ten exposures may begin, as at 10 x 300 + 9 x 10 = 3090 s: the last
    # one comes after a dither, and fits: 3090 + 40 + 300 = 3430 s.
    assert worth_s([place()], steps=Steps(gaps, 1, ((0.0, 2800.0),))) == pytest.approx(3300.0)
    # Left out for the first half only: 6 exposures begin until 1550 s and end at 1850 s, each
    # further one takes 340 s: 5 end at 3550 s.
    assert worth_s([place()], steps=Steps(gaps, 1, ((0.0, 1800.0),))) == pytest.approx(3300.0)
    # Never but for one second in which nobody would begin.
    assert worth_s([place()], steps=Steps(gaps, 1, ((3599.0, 3600.0),))) == pytest.approx(3000.0)


def test_changing_target_and_flipping_take_time():
    first, second = (((0.0, 1800.0),), ((1800.0, 3600.0),))
    # 5 exposures end at 1540 s; the next can begin at 1540 + gap, but not before 1800 s.
    for kind, pair in (("switched", "AB"), ("flipped", "AA")):
        steps = Steps(Gaps(plain=10.0, **{kind: 200.0}), 0)
        places = [place(pair[0], first), place(pair[1], second)]
        assert worth_s(places, steps=steps) == pytest.approx(3000.0)
        slow = Steps(Gaps(plain=10.0, **{kind: 600.0}), 0)
        # Either begin the second at 1540 + 600 s, 4 exposures; or leave the first earlier.
        assert worth_s(places, steps=slow) == pytest.approx(2700.0)


def test_dark_spans_take_what_they_say():
    # 1000..1600 s dark: 3 exposures before (920 s), 6 from 1600 s on (1850 s).
    assert worth_s([place()], [Dark(1000.0, 1600.0, "all")]) == pytest.approx(2700.0)
    # One may run into it, beginning before: 4 (at 990 s), then 6.
    assert worth_s([place()], [Dark(1000.0, 1600.0, "begin")]) == pytest.approx(3000.0)
    # 3 before, 6 from 1480 s on (1840 s); where less than half may fall into it, 7 from 1331 s on.
    assert worth_s([place()], [Dark(1000.0, 1480.0, "all")]) == pytest.approx(2700.0)
    assert worth_s([place()], [Dark(1000.0, 1480.0, "half")]) == pytest.approx(3000.0)
    # None may end in it: 3 (to 920 s), the fourth only from 1300 s on, then 7 to the end.
    assert worth_s([place()], [Dark(1000.0, 1600.0, "end")]) == pytest.approx(3000.0)
    assert worth_s([place()], [Dark(-math.inf, math.inf, "all")]) == 0.0


def test_no_target_counts_for_more_than_was_ordered():
    both = [place("A"), place("B", ((3000.0, 3600.0),))]
    # A alone could fill the hour; only 900 s of it are wanted, and B has room for one exposure.
    wanted = {"A": 900.0, "B": 3000.0}
    bound_s = priced_bound_s(both, [], FREE, wanted, NIGHT)
    assert 1200.0 <= bound_s <= 900.0 + 600.0
    assert priced_bound_s([place("A")], [], FREE, {"A": 900.0}, NIGHT) == pytest.approx(900.0)


def test_a_night_without_places_or_hours_has_nothing():
    assert worth_s([]) == 0.0
    assert worth_s([place()], hours=(100.0, 100.0)) == 0.0


# Against all schedules ------------------------------------------------------------------------

LENGTHS = st.sets(st.integers(2, 6), min_size=1, max_size=2)
COUNT = 24
SPANS = st.tuples(st.integers(0, 18), st.integers(5, 24)).map(
    lambda pair: (float(pair[0]), float(pair[0] + pair[1]))
)
GAPS = st.tuples(*[st.integers(1, 6)] * 4)
DARKS = st.lists(
    st.tuples(
        st.integers(0, 24), st.integers(1, 8), st.sampled_from(("all", "half", "begin", "end"))
    ),
    max_size=2,
)


def all_schedules_s(places, darks, gaps, every, free) -> float:
    """The best of all schedules, tried one after the other from dusk on."""

    @cache
    def allowed(index: int, length: int, at: int) -> bool:
        seconds = range(at, at + length)
        spans = places[index].spans_utc_s
        if at + length > COUNT or not all(any(a <= s < b for a, b in spans) for s in seconds):
            return False
        spoilt = {kind: {s for s in seconds if dark_at(kind, s)} for kind in ("all", "half")}
        lost = spoilt["all"] or 2 * len(spoilt["half"]) >= length
        return not (lost or dark_at("begin", at) or dark_at("end", at + length))

    def dark_at(how: str, second: int) -> bool:
        return any(d.how == how and d.from_utc_s <= second < d.until_utc_s for d in darks)

    @cache
    def rest(ended: int, index: int, since: int) -> float:
        """From the end of an exposure at this place, so many since the last dither."""
        best = 0.0
        for other, there in enumerate(places):
            same = there.target == places[index].target
            ways = [(gaps.flipped if same else gaps.switched, 1)]
            if other == index:
                # A dither may come early.
                ways = [(gaps.dithered, 1)] if every else []
                ways += [(gaps.plain, min(since + 1, every + 1))]
            for gap, number in ways:
                for at in range(ended + int(gap), COUNT):
                    if every and number > every and not free[0] <= at < free[1]:
                        continue
                    for length in there.lengths_s:
                        if allowed(other, int(length), at):
                            best = max(best, length + rest(at + int(length), other, number))
        return best

    return max(
        (
            length + rest(at + int(length), index, 1)
            for index, one in enumerate(places)
            for length in one.lengths_s
            for at in range(COUNT)
            if allowed(index, int(length), at)
        ),
        default=0.0,
    )


@settings(max_examples=20)
@given(
    spans=st.lists(st.tuples(SPANS, LENGTHS), min_size=1, max_size=3),
    names=st.permutations("AAB"),
    gaps=GAPS,
    darks=DARKS,
    every=st.integers(0, 2),
    undithered=st.tuples(st.integers(0, 20), st.integers(0, 8)),
)
def test_no_schedule_is_better_and_one_is_as_good(spans, names, gaps, darks, every, undithered):
    plain, dithered, switched, flipped = sorted(gaps)
    # By way of another target a flip is no shorter.
    flipped = min(flipped, 2 * switched - plain)
    shortest = Gaps(float(plain), float(dithered), float(switched), float(flipped))
    places = [
        Place(name, (span,), tuple(float(length) for length in sorted(lengths)))
        for name, (span, lengths) in zip(names, spans, strict=False)
    ]
    dark = [Dark(float(a), float(a + b), how) for a, b, how in darks]
    free = (undithered[0], sum(undithered))
    steps = Steps(shortest, every, (free,))
    found = best_schedule(places, dark, steps, {"A": 1.0, "B": 1.0}, (0.0, float(COUNT)))
    expected = all_schedules_s(places, dark, shortest, every, free)
    assert found.worth_s == pytest.approx(expected)
    assert sum(found.taken_s.values()) == pytest.approx(found.worth_s)


def test_an_order_to_close_takes_the_exposure_in_hand_with_it() -> None:
    """Else a night that a person closed in its first exposure has kept 0 % of a whole one."""
    spoke = OperatorSpoke(command="close", who="ann@hut", why=None, target=None)
    darks = closed_by_hand(as_events((500.0, spoke)))
    assert worth_s([place()], darks) == 300.0
    itself = spoke.model_copy(update={"who": "midwatch"})
    assert worth_s([place()], closed_by_hand(as_events((500.0, itself)))) == 3300.0
