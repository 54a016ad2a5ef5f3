"""Targets that move: plans follow a model of motion that only this test knows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import ArrayLike

from midwatch.orders.reading import Night
from midwatch.planning import plan_night
from midwatch.runtime.files import load_orders
from midwatch.sequencer.decision import forecast
from midwatch.sequencer.decision.world import SIDEREAL_DEG_PER_S
from midwatch.sequencer.night import Identity
from midwatch.sequencer.night.night_events import beginning
from midwatch.sky import Fixed, FloatArray, Motion, Observer
from midwatch.sky.vectors import as_floats
from support.interface_bench import write_night

EVENING = date(2027, 3, 10)
MIDNIGHT = 1_804_719_600.0  # 2027-03-10 23:00 UTC, midnight at the site
ORDERS = """\
site: site.yaml
rig: rig.yaml
evening: 2027-03-10
targets:
  - name: Wanderer
    ra: 150.0
    dec: 10.0
    frames: [{exposure_s: 60, count: 400}]
"""


@dataclass(frozen=True)
class Straight(Motion):
    """Moves evenly in both coordinates."""

    ra_deg: float
    dec_deg: float
    ra_deg_h: float
    dec_deg_h: float

    def positions_at(self, utc_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
        hours = (as_floats(utc_s) - MIDNIGHT) / 3600.0
        return self.ra_deg + self.ra_deg_h * hours, self.dec_deg + self.dec_deg_h * hours


def night_of(folder: Path, motion: Motion) -> Night:
    night = load_orders(write_night(folder, orders=ORDERS))
    return replace(night, targets=tuple(replace(t, motion=motion) for t in night.targets))


def test_a_fixed_target_is_where_the_orders_say_whenever_one_asks(tmp_path: Path) -> None:
    (target,) = load_orders(write_night(tmp_path, orders=ORDERS)).targets
    assert target.motion == Fixed(150.0, 10.0)
    assert {target.position_at(at) for at in (0.0, MIDNIGHT)} == {(150.0, 10.0)}
    assert target.motion.ra_rate_deg_s(MIDNIGHT) == 0.0


def test_windows_follow_a_target_that_moves(tmp_path: Path) -> None:
    moving = Straight(150.0, 10.0, ra_deg_h=2.0, dec_deg_h=-1.5)
    night = night_of(tmp_path, moving)
    (still,) = plan_night(night_of(tmp_path, Fixed(150.0, 10.0)), EVENING).targets
    plan = plan_night(night, EVENING)
    (target,) = plan.targets
    (window,) = target.windows
    observer = Observer(night.place)
    # It leaves its window where the place that it has by then comes down to the limit.
    end = window.end_utc_s
    ra_deg, dec_deg = (
        150.0 + 2.0 * (end - MIDNIGHT) / 3600.0,
        10.0 - 1.5 * (end - MIDNIGHT) / 3600.0,
    )
    assert observer.altaz(ra_deg, dec_deg, end).alt_deg == pytest.approx(15.0, abs=0.01)
    assert end != still.windows[0].end_utc_s
    # Where it crosses the meridian, its own right ascension does.
    transit = target.transit_utc_s
    at_transit = moving.position_at(transit)
    assert observer.hour_angle_deg(*at_transit, transit) == pytest.approx(0.0, abs=1e-3)
    assert target.highest_alt_deg == pytest.approx(
        max(float(observer.altaz(*moving.position_at(t), t).alt_deg)
            for t in np.linspace(window.start_utc_s, window.end_utc_s, 2000)),
        abs=0.5,  # it culminates a little before it transits, since it goes south
    )  # fmt: skip


def test_its_hour_angle_grows_slower_by_as_much_as_it_moves_east(tmp_path: Path) -> None:
    moving = Straight(150.0, 10.0, ra_deg_h=2.0, dec_deg_h=0.0)
    night = night_of(tmp_path, moving)
    plan = plan_night(night, EVENING)
    rate = plan.targets[0].turns_deg_s
    assert rate == pytest.approx(SIDEREAL_DEG_PER_S - 2.0 / 3600.0, abs=1e-9)
    # The flip of a German mount therefore comes later after the transit.
    ((_, flipped_s),) = forecast(night, plan).flips
    ha_deg = Observer(night.place).hour_angle_deg(*moving.position_at(flipped_s), flipped_s)
    assert 0.75 <= ha_deg <= 5.0


def test_the_journal_has_it_where_it_crosses_the_meridian(tmp_path: Path) -> None:
    moving = Straight(150.0, 10.0, ra_deg_h=2.0, dec_deg_h=-1.5)
    night = night_of(tmp_path, moving)
    plan = plan_night(night, EVENING)
    identity = Identity("2027-03-10", 1, True, "fast", "", "", "")
    planned = list(beginning(identity, plan, night, resumed=False))[1]
    expected = moving.position_at(plan.targets[0].transit_utc_s)
    assert (planned.ra_deg, planned.dec_deg) == expected  # type: ignore[attr-defined]
