"""Decisions on mounts other than German ones: no flip, no side, and limits of their own."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.devices.host import mount_limits
from midwatch.planning import plan_night
from midwatch.runtime.files import load_orders
from midwatch.sequencer.decision import (
    FrameNeed,
    NightHours,
    Pointing,
    Readiness,
    Safety,
    TargetView,
    World,
    decide,
    forecast,
)
from midwatch.sequencer.decision.offers import survey
from midwatch.sky import LimitCheck, Observer
from midwatch.sky.mounts import GEOMETRIES, ForkEquatorial, MountGeometry
from support.interface_bench import midwatch, write_night
from support.third_mount import RIG, AltAzimuth

T0 = 1.8e9
HOURS = NightHours(T0, T0 + 100, T0 + 200, T0 + 60_000)
FORK = ForkEquatorial(hour_angle_deg=90.0)
READY = Readiness(
    connected=True, prepared=True, roof_open=True, roof_closed=False, focused=True,
    has_guider=True, guiding=True,
)  # fmt: skip
KINDS = [FORK, AltAzimuth()]
DEGREE_S = 86164.1 / 360.0


def world(mount: MountGeometry, now_s: float, ha_deg: float, **changes: object) -> World:
    window = ((HOURS.dusk_s, HOURS.dawn_s),)
    target = TargetView(
        "A", 1, window, window, now_s - ha_deg * DEGREE_S, (FrameNeed(0, None, 300.0, 5),)
    )
    on_it = Pointing(parked=False, tracking=True, target="A", centred=True)
    base = World(now_s, HOURS, mount, Safety(True, ""), on_it, READY, (target,))
    return replace(base, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("mount", KINDS, ids=lambda mount: mount.name)
@given(st.floats(-60, 60))
def test_it_exposes_through_the_meridian(mount, ha):
    decision = decide(world(mount, T0 + 10_000, ha))
    assert decision.duty == "expose"


@pytest.mark.parametrize("mount", KINDS, ids=lambda mount: mount.name)
@given(st.floats(-170, 170), st.sampled_from(["west", "east", "unknown"]), st.booleans())
def test_it_never_flips_waits_for_no_meridian_and_asks_for_no_side(mount, ha, side, there):
    pointing = Pointing(
        parked=False, tracking=there, target="A" if there else None, centred=there, pier_side=side
    )
    decision = decide(world(mount, T0 + 10_000, ha, pointing=pointing))
    assert decision.duty != "flip"
    assert "flip" not in decision.reason and "meridian" not in str(decision.cause)
    if decision.duty == "slew":
        assert "pier_side" not in decision.args


@given(st.floats(0.0, 4000.0))
def test_an_exposure_fits_before_the_cables_end_or_is_not_begun(left_s):
    now = T0 + 10_000
    case = world(FORK, now, 90.0 - left_s / DEGREE_S)
    best = survey(case).best
    needed_s = 300.0 + case.takes_s("expose") + case.margin_s
    if left_s > needed_s + 1.0:
        assert best is not None and best.start_s + 300.0 <= now + left_s
    elif left_s < needed_s - 1.0:
        assert best is None
        assert ("A", "no exposure fits before the limit of the mount") in survey(case).ruled_out


def test_a_kind_of_mount_is_added_by_one_class(tmp_path: Path, monkeypatch) -> None:
    """Rig file, windows, forecast, limits: nothing of them knows the class that is entered here."""
    monkeypatch.setitem(GEOMETRIES, AltAzimuth.name, AltAzimuth)
    # Passes the zenith of the site about half past eight in the evening.
    zenith = (
        "site: site.yaml\nrig: rig.yaml\nevening: 2027-03-10\n"
        "targets: [{name: Overhead, ra: 7h40m, dec: 46d,\n"
        "           frames: [{exposure_s: 60, count: 100}]}]\n"
    )
    orders = write_night(tmp_path, rig=RIG, orders=zenith)
    night = load_orders(orders)
    assert night.rig.geometry == AltAzimuth(5.0)
    plan = plan_night(night, date(2027, 3, 10))
    before, after = plan.targets[0].windows
    transit = plan.targets[0].transit_utc_s
    assert before.end_utc_s < transit < after.start_utc_s
    # Five degrees of the great circle at declination 46: twice 29 minutes (arithmetic).
    assert after.start_utc_s - before.end_utc_s == pytest.approx(2 * 1724.0, abs=30.0)
    ahead = forecast(night, plan)
    assert ahead.flips == () and ahead.fitting == {"Overhead": (100,)}
    assert [visit.start_utc_s < transit for visit in ahead.visits] == [True]
    limits = mount_limits(night.rig.limits, night.rig.geometry, night.horizon)
    check = LimitCheck(Observer(night.place), limits)
    position = plan.targets[0].target.position_at(transit)
    found = check.breach(*position, transit, "unknown")
    assert found is not None and "zenith" in found.message
    assert check.breach(*position, before.end_utc_s - 2.0, "unknown") is None
    assert "flip" not in midwatch("plan", orders).out
    seen = midwatch("check", orders).out
    assert "the field turns while an alt-azimuth mount tracks" in seen
