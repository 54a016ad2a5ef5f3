"""What a clairvoyant knows of trees."""

from __future__ import annotations

from midwatch.bound.sky_in_view import SkyInView
from midwatch.bound.timetable import Place as TargetPlace
from midwatch.sky import Fixed, Horizon, Observer, Place, TreeLine

OBSERVER = Observer(Place(46.2, 13.4, 1200.0))
EVENING_S = 1804708800.0  # 2027-03-10T20:00:00Z
RISING = Fixed(228.0, 35.0)
FLAT = Horizon.flat(15.0)


def spans(*in_the_way: Horizon | TreeLine) -> tuple[tuple[float, float], ...]:
    place = TargetPlace("east", ((EVENING_S, EVENING_S + 20_000.0),), (600.0,))
    return SkyInView(OBSERVER, in_the_way).of(place, RISING).spans_utc_s


def altitude_deg(at_s: float) -> float:
    return float(OBSERVER.altaz(*RISING.positions_at(at_s), at_s).alt_deg)


def test_what_rises_is_had_from_half_an_exposure_before_it_comes_out() -> None:
    ((begins_s, ends_s),) = spans(Horizon.flat(30.0))
    assert 29.9 < altitude_deg(begins_s + 300.0) < 30.2
    assert ends_s == EVENING_S + 20_000.0
    assert spans(Horizon.flat(89.0)) == ()


def test_gaps_between_trees_are_known_and_nothing_above_them_is_lost() -> None:
    trees = TreeLine(FLAT, 12.0)
    for begins_s, ends_s in spans(trees):
        middle_s = 0.5 * (begins_s + ends_s)
        at = OBSERVER.altaz(*RISING.positions_at(middle_s), middle_s)
        assert float(trees.open_share(at.az_deg, at.alt_deg)) > 0.0
    assert spans(trees)[-1][1] == EVENING_S + 20_000.0
    assert altitude_deg(spans(trees)[-1][0]) < 15.0 + 1.3 * 12.0
