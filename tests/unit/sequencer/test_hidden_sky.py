"""Targets near the horizon that trees hide, apart from clouds, covers and shutters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import pytest

from midwatch.clock import VirtualClock
from midwatch.journal.facts import (
    Fact,
    FaultBegan,
    FrameBegun,
    FrameGraded,
    FrameRead,
    Sample,
    TargetPlanned,
)
from midwatch.journal.record import FaultRecord, NightRecord
from midwatch.journal.store import Event
from midwatch.sequencer.facts import hidden_now
from midwatch.sequencer.watches.hidden_watch import HiddenWatch
from midwatch.sequencer.watches.light_watch import LightWatch
from midwatch.sky import Horizon, Observer, Place

OBSERVER = Observer(Place(46.2, 13.4, 1200.0))
HORIZON = Horizon.flat(15.0)
EVENING_S = 1804708800.0  # 2027-03-10T20:00:00Z
EXPOSURE_S = 300.0
# At that time: sinking in the west, climbing in the east, and high up.
PLACES = {"west": (40.0, 20.0), "east": (228.0, 35.0), "high": (140.0, 45.0)}
TARGETS = [TargetPlanned(target=name, ra_deg=ra_deg, dec_deg=dec_deg, priority=1, wanted=(),
                         windows_utc_s=(), transit_utc_s=None)
           for name, (ra_deg, dec_deg) in PLACES.items()]  # fmt: skip


@dataclass
class Story:
    """A record that grows by light frames, one after the other."""

    record: NightRecord = field(default_factory=NightRecord)
    now_s: float = EVENING_S
    _number: int = 0

    def __post_init__(self) -> None:
        for planned in TARGETS:
            self.add(planned)

    def add(self, fact: Fact) -> None:
        self._number += 1
        self.record.apply(Event(self._number, self.now_s, "night", fact, ""))

    def light(
        self,
        target: str,
        stars: int = 800,
        *,
        share: float | None = None,
        guide_lost_percent: float = 0.0,
        noise_adu: float = 60.0,
    ) -> None:
        good = stars >= 500 and guide_lost_percent == 0.0
        name = f"frame-{self._number}"
        began_s, self.now_s = self.now_s, self.now_s + EXPOSURE_S
        self.add(FrameBegun(exposure_id=name, frame="light", target=target, order_index=0,
                            filter="L", exposure_s=EXPOSURE_S, gain=1, offset=1,
                            binning=1))  # fmt: skip
        self.add(FrameRead(exposure_id=name, sha256="0" * 64, began_utc_s=began_s,
                            exposure_s=EXPOSURE_S))  # fmt: skip
        self.add(FrameGraded(exposure_id=name, grade="accepted" if good else "rejected",
                              stars=stars, star_share=share, noise_adu=noise_adu,
                              guide_lost_percent=guide_lost_percent))  # fmt: skip

    def fault(self, fault: str, target: str | None, device: str = "sky") -> None:
        self.add(FaultBegan(fault_id=f"{self._number}-{fault}", device=device, fault=fault,
                            message=fault, duty="centre", target=target))  # fmt: skip

    def hidden_for_s(self, target: str) -> float:
        until_s = hidden_now(self.record, target, OBSERVER, HORIZON).until_s
        return max(until_s - self.now_s, 0.0)


@dataclass
class Desk:
    """Keeps the faults that are open."""

    open_now: list[tuple[str, str, str | None]] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)

    def hold(self, device: str, fault: str, message: str | None) -> None:
        if message is not None:
            self.open_now.append((device, fault, None))

    def open(self, device: str, fault: str, _message: str, _duty: str, target: str) -> None:
        self.open_now.append((device, fault, target))

    def close(self, fault: FaultRecord, how: str) -> None:
        self.closed.append(how)


def altitude_deg(target: str, at_s: float) -> float:
    return float(OBSERVER.altaz(*PLACES[target], at_s).alt_deg)


def test_a_target_that_rises_comes_back_when_it_is_some_degrees_higher() -> None:
    story = Story()
    story.fault("hidden", "east")
    left_s = story.hidden_for_s("east")
    climbed = altitude_deg("east", story.now_s + left_s) - altitude_deg("east", story.now_s)
    assert climbed == pytest.approx(4.0, abs=0.3)
    story.now_s += left_s + 1.0
    assert story.hidden_for_s("east") == 0.0


def test_a_target_that_sinks_is_left_alone_for_longer_each_time() -> None:
    story = Story()
    story.light("west")
    story.light("west", stars=0)
    first_s = story.hidden_for_s("west")
    assert first_s == pytest.approx(2700.0 - EXPOSURE_S / 2.0)
    story.light("west", stars=0)
    assert story.hidden_for_s("west") == pytest.approx(2.0 * 2700.0 - EXPOSURE_S / 2.0)
    story.light("west")
    assert story.hidden_for_s("west") == 0.0


Looks = Sequence[tuple[int, float | None, float]]


@pytest.mark.parametrize(
    ("looks", "hidden"),
    [
        ([(0, None, 0.0)], True),
        ([(400, 0.5, 0.0)], False),
        ([(400, 0.5, 0.0), (300, 0.4, 0.0)], True),
        ([(400, None, 40.0)], True),
        ([(450, 0.9, 40.0)], False),
        ([(120, 0.15, 0.0)], True),
    ],
    ids=["none", "once thin", "thin twice", "and the guide star", "only it", "a few stars"],
)
def test_the_edge_of_trees_is_known_by_two_thin_frames_or_the_guide_star(
    looks: Looks, hidden: bool
) -> None:
    story = Story()
    story.light("west")
    for stars, share, lost in looks:
        story.light("west", stars, share=share, guide_lost_percent=lost)
    assert (story.hidden_for_s("west") > 0.0) == hidden


def test_high_up_nothing_is_taken_for_trees() -> None:
    story = Story()
    story.light("high")
    story.light("high", stars=0)
    assert story.hidden_for_s("high") == 0.0


def test_stars_elsewhere_leave_it_hidden_and_no_stars_there_make_it_cloud() -> None:
    for seen in (True, False):
        story = Story()
        story.light("high")
        story.light("west", stars=0)
        assert story.hidden_for_s("west") > 0.0
        story.light("high", stars=800 if seen else 0)
        assert (story.hidden_for_s("west") > 0.0) == seen
    story = Story()
    story.light("west", stars=0)
    story.now_s += 100.0
    story.fault("clouds", "high")
    assert story.hidden_for_s("west") == 0.0


def test_no_stars_behind_other_trees_say_nothing() -> None:
    story = Story()
    story.light("west", stars=0)
    story.light("east", stars=0)
    assert story.hidden_for_s("west") > 0.0
    assert story.hidden_for_s("east") > 0.0


def test_clouds_that_the_sensor_sees_are_no_trees_then_nor_when_they_have_gone() -> None:
    story = Story()
    story.light("west", stars=0)
    story.add(Sample(cloud_percent=90.0))
    assert story.hidden_for_s("west") == 0.0
    story.now_s += 1200.0
    story.add(Sample(cloud_percent=5.0))
    assert story.hidden_for_s("west") == 0.0


def light_watch(story: Story, desk: Desk) -> LightWatch:
    return LightWatch(story.record, desk, OBSERVER, HORIZON)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("target", "withdrawn"),
    [
        ("high", ()),
        ("west", ("east", "high")),  # low down, and there is no other target to look at
    ],
)
def test_a_dark_frame_that_trees_cannot_explain_is_blamed_on_the_shutter_at_once(
    target: str, withdrawn: tuple[str, ...]
) -> None:
    story, desk = Story(), Desk()
    story.record.withdrawn.extend(withdrawn)
    watch = light_watch(story, desk)
    for _ in range(2):
        story.light(target)
    story.light(target, stars=0, noise_adu=8.0)
    watch.look()
    assert desk.open_now == [("camera", "no_light", None)]


def test_a_dark_frame_near_the_horizon_is_blamed_on_the_shutter_if_the_next_is_dark_too() -> None:
    story, desk = Story(), Desk()
    watch = light_watch(story, desk)
    for _ in range(2):
        story.light("west")
    story.light("west", stars=0, noise_adu=8.0)
    watch.look()
    assert desk.open_now == []
    story.light("west", stars=0, noise_adu=8.0)
    watch.look()
    assert desk.open_now == [("camera", "no_light", None)]


def test_frames_as_dark_as_trees_are_blamed_on_the_shutter_only_high_up() -> None:
    for target, blamed in (("west", False), ("high", True)):
        story, desk = Story(), Desk()
        watch = light_watch(story, desk)
        for _ in range(2):
            story.light(target)
        for _ in range(2):
            story.light(target, stars=0, noise_adu=24.0)
            watch.look()
        assert (("camera", "no_light", None) in desk.open_now) == blamed


def test_what_hides_a_target_is_journaled_once_and_taken_back_when_all_is_dark() -> None:
    story, desk = Story(), Desk()
    watch = HiddenWatch(story.record, desk, OBSERVER, HORIZON,  # type: ignore[arg-type]
                        VirtualClock(datetime.fromtimestamp(EVENING_S, UTC)))  # fmt: skip
    story.light("west")
    watch.look()
    assert desk.open_now == []
    story.light("west", stars=0)
    watch.look()
    assert desk.open_now == [("sky", "hidden", "west")]
    story.fault("hidden", "west")
    watch.look()
    assert len(desk.open_now) == 1
    story.now_s += 60.0
    story.fault("clouds", "high")
    watch.look()
    assert desk.closed == ["it is as dark in other directions"]
