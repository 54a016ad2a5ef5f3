import itertools
from dataclasses import replace

import pytest

from midwatch.alignment import AlignmentField
from midwatch.alignment.alignment_plan import NoPointingError, plan_drift, plan_frames, pointing_at
from midwatch.sky import Horizon, LimitCheck, MountLimits, Observer, Place
from midwatch.sky.mounts import STRICT_GERMAN, MountGeometry, PierSide

UTC_S = 1_804_708_800.0  # 2027-03-10 20:00 UTC
DAY_S = UTC_S - 8 * 3600.0


def limits_of(
    latitude_deg: float, *, horizon: Horizon | None = None, mount: MountGeometry | None = None
) -> LimitCheck:
    observer = Observer(Place(latitude_deg, 13.4, 500.0))
    return LimitCheck(
        observer,
        MountLimits(horizon or Horizon.flat(12.0), 15.0, mount or STRICT_GERMAN),
    )


def side_of(field: AlignmentField) -> PierSide:
    return STRICT_GERMAN.natural_side(field.ha_deg)


@pytest.mark.parametrize("latitude_deg", [-60.0, -33.0, 0.0, 20.0, 46.0, 70.0])
def test_three_fields_differ_in_right_ascension_alone_and_keep_every_limit(latitude_deg):
    limits = limits_of(latitude_deg)
    fields = plan_frames(limits, UTC_S)
    assert len({field.dec_deg for field in fields}) == 1
    assert len({side_of(field) for field in fields}) == 1  # no flip
    for one, other in itertools.pairwise(fields):
        assert 25.0 <= abs(one.ha_deg - other.ha_deg) <= 40.0
        assert abs(other.ha_deg) < abs(one.ha_deg)  # towards the meridian
    for number, field in enumerate(fields):
        ra, dec = field.icrs(limits.observer, UTC_S + 300.0 * number)
        for after_s in (0.0, 150.0, 300.0):
            at_s = UTC_S + 300.0 * number + after_s
            assert limits.breach(ra, dec, at_s, side_of(field)) is None
    # At the last there is time for the knobs.
    ra, dec = fields[-1].icrs(limits.observer, UTC_S + 600.0)
    for after_s in range(0, 1801, 300):
        assert limits.breach(ra, dec, UTC_S + 600.0 + after_s, side_of(fields[-1])) is None


def test_a_field_stands_where_it_is_said_to_stand():
    observer = Observer(Place(46.0, 13.4, 500.0))
    field = pointing_at(observer, -35.0, 20.0)
    ra, dec = field.icrs(observer, UTC_S)
    assert float(observer.hour_angle_deg(ra, dec, UTC_S)) == pytest.approx(-35.0, abs=0.001)
    alt, az = observer.altaz(ra, dec, UTC_S)
    assert (float(alt), float(az)) == pytest.approx((field.alt_deg, field.az_deg), abs=1e-6)


def test_a_wall_in_the_east_turns_it_to_the_west():
    open_west = Horizon([(0.0, 20.0), (5.0, 80.0), (175.0, 80.0), (185.0, 15.0)])
    fields = plan_frames(limits_of(46.0, horizon=open_west), UTC_S)
    assert all(side_of(field) == "east" for field in fields)
    for field in fields:
        assert field.alt_deg > open_west.altitude_at(field.az_deg)


def test_where_nothing_is_free_it_says_what_else_to_do():
    shaft = limits_of(46.0, horizon=Horizon.flat(80.0))
    with pytest.raises(NoPointingError, match="--method drift"):
        plan_frames(shaft, UTC_S)
    with pytest.raises(NoPointingError, match="freer place"):
        plan_drift(shaft, UTC_S, 300.0)


def test_the_sun_is_kept_away_from_by_day():
    night = limits_of(46.0)
    limits = LimitCheck(night.observer, replace(night.limits, sun_min_sep_deg=170.0))
    with pytest.raises(NoPointingError):
        plan_frames(limits, DAY_S)


@pytest.mark.parametrize("latitude_deg", [-45.0, 5.0, 60.0])
def test_drift_takes_a_field_near_the_meridian_and_one_far_from_it(latitude_deg):
    limits = limits_of(latitude_deg)
    far, near = plan_drift(limits, UTC_S, 300.0)
    assert abs(near.ha_deg) <= 25.0 < abs(far.ha_deg)
    assert abs(far.ha_deg - near.ha_deg) >= 25.0
    for number, field in enumerate((far, near)):
        begins_s = UTC_S + 300.0 * number
        ra, dec = field.icrs(limits.observer, begins_s)
        for after_s in (0.0, 300.0):
            assert limits.breach(ra, dec, begins_s + after_s, side_of(field)) is None
