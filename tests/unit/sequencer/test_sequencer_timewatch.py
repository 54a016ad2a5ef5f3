"""Clocks, sites and mounts that disagree."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import SimpleNamespace

import erfa
import pytest

from midwatch.clock import ShiftedClock, SteadyClock, VirtualClock
from midwatch.devices.contract.kinds import MountState
from midwatch.sequencer.watches.time_watch import TimeWatch, disagreement_deg
from midwatch.sky import Observer, Place
from midwatch.virtual_time import run_virtual

PLACE = Place(latitude_deg=47.0, longitude_deg=11.0, elevation_m=1200.0)
AT = datetime(2027, 3, 10, 23, 0, tzinfo=UTC)


def hour_angle_deg(ra_deg: float, dec_deg: float, at_s: float) -> float:
    """Hour angle by the IAU's SOFA routines (erfa.atco13), without air."""
    day, part = divmod(at_s / 86400.0, 1.0)
    found = erfa.atco13(
        math.radians(ra_deg), math.radians(dec_deg), 0.0, 0.0, 0.0, 0.0,
        2440587.5 + day, part, 0.0,
        math.radians(PLACE.longitude_deg), math.radians(PLACE.latitude_deg), PLACE.elevation_m,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.55,
    )  # fmt: skip
    return math.degrees(float(found[2]))


def mount_at(at_s: float, *, ra_deg: float = 103.5, dec_deg: float = 25.0) -> MountState:
    """A mount that tracks, and believes that it is this instant."""
    return MountState(
        connected=True, parked=False, tracking=True, ra_deg=ra_deg, dec_deg=dec_deg,
        hour_angle_deg=hour_angle_deg(ra_deg, dec_deg, at_s),
    )  # fmt: skip


@dataclass
class Desk:
    """Keeps what stands."""

    standing: dict[tuple[str, str], str] = field(default_factory=dict)
    notes: list[object] = field(default_factory=list)

    def note(self, fact: object) -> None:
        self.notes.append(fact)

    def hold(self, device: str, fault: str, message: str | None) -> None:
        if message is None:
            self.standing.pop((device, fault), None)
        else:
            self.standing[device, fault] = message


def watch(clock: object, mount: MountState, desk: Desk) -> TimeWatch:
    rig = SimpleNamespace(mount=SimpleNamespace(state=mount, age_s=lambda: 0.0))
    return TimeWatch(clock, rig, Observer(PLACE), desk)  # type: ignore[arg-type]


@pytest.mark.parametrize(("minutes", "asked"), [(12.0, True), (60.0, False)])
def test_the_next_slew_asks_a_parked_mount_of_which_little_was_wrong(
    minutes: float, asked: bool
) -> None:
    """Common practice, no source: three degrees do no harm within limits that are held twice."""
    clock, desk = VirtualClock(AT), Desk()
    wrong = mount_at(AT.timestamp() + 60.0 * minutes)
    parked = wrong.model_copy(update={"parked": True, "tracking": False, "dec_deg": 90.0})
    rig = SimpleNamespace(mount=SimpleNamespace(state=wrong, age_s=lambda: 0.0))
    time_watch = TimeWatch(clock, rig, Observer(PLACE), desk)  # type: ignore[arg-type]
    time_watch.look()
    rig.mount.state = parked
    time_watch.look()
    assert desk.standing

    async def wait() -> None:
        await clock.sleep(900.0)
        time_watch.look()

    run_virtual(wait)
    assert bool(desk.standing) is not asked


def test_a_mount_that_keeps_our_time_agrees() -> None:
    off_deg = disagreement_deg(Observer(PLACE), mount_at(AT.timestamp()), AT.timestamp())
    assert off_deg == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(("minutes", "way"), [(8.0, "8.0 min ahead"), (-8.0, "8.0 min behind")])
def test_minutes_of_a_clock_are_degrees_of_hour_angle(minutes: float, way: str) -> None:
    """A clock that is 8 min ahead shows 8 x 0.25 x 1.00274 = 2.005 degrees too much."""
    wrong = mount_at(AT.timestamp() + 60.0 * minutes)
    off_deg = disagreement_deg(Observer(PLACE), wrong, AT.timestamp())
    assert off_deg == pytest.approx(minutes * 0.25 * 1.00274, abs=0.02)
    desk = Desk()
    watch(VirtualClock(AT), wrong, desk).look()
    assert way in desk.standing["mount", "wrong_hour_angle"]
    watch(VirtualClock(AT), mount_at(AT.timestamp()), desk).look()
    assert desk.standing == {}


def test_a_mount_parked_at_the_pole_says_nothing() -> None:
    desk = Desk()
    watch(VirtualClock(AT), mount_at(AT.timestamp() + 3600.0, dec_deg=89.0), desk).look()
    assert desk.standing == {}


def test_a_jump_is_reported_and_the_count_goes_on_while_the_mount_agrees_with_it() -> None:
    machine = ShiftedClock(VirtualClock(AT))
    clock, desk = SteadyClock(machine), Desk()
    clock.unix_s()
    machine.shift_s = 7200.0
    watch(clock, mount_at(AT.timestamp()), desk).look()
    assert "jumped ahead by 7200 s" in desk.standing["daemon", "clock_jumped"]
    assert ("mount", "wrong_hour_angle") not in desk.standing
    assert clock.unix_s() == pytest.approx(AT.timestamp(), abs=1.0)


def test_the_new_time_is_believed_when_the_mount_keeps_it_too() -> None:
    machine = ShiftedClock(VirtualClock(AT))
    clock, desk = SteadyClock(machine), Desk()
    clock.unix_s()
    machine.shift_s = 7200.0
    watch(clock, mount_at(AT.timestamp() + 7200.0), desk).look()
    assert desk.standing == {}
    assert clock.unix_s() == pytest.approx(AT.timestamp() + 7200.0, abs=1.0)
    assert [fact.jump_s for fact in desk.notes] == [pytest.approx(7200.0, abs=1.0)]  # type: ignore[attr-defined]
