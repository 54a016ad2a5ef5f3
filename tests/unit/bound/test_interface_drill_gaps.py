"""What lay between the light frames of a night, taken from its events."""

from __future__ import annotations

import pytest

from midwatch.bound import Gaps, gaps_of
from midwatch.bound.gaps import undithered
from midwatch.journal.facts import Dithered, Fact, FrameBegun, FrameRead, MotionEnded
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event

EXPOSURE_S = 100.0


class Story:
    """Events of lights and of what lies between them; the journal rounds its moments to 1 ms."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.clock_off_s = 0.0
        self.events: list[Event] = []

    def inform(self, fact: Fact) -> None:
        at_s = round(self.now_s + self.clock_off_s, 3)
        self.events.append(Event(len(self.events) + 1, at_s, "n", fact, ""))

    def light(self, target: str = "A") -> None:
        name = f"n-{len(self.events)}"
        setting = {"gain": 1, "offset": 1, "binning": 1}
        self.inform(FrameBegun(exposure_id=name, frame="light", target=target, order_index=0,
                             filter=None, exposure_s=EXPOSURE_S, **setting))  # fmt: skip
        began_s = self.now_s
        self.now_s += EXPOSURE_S
        self.inform(read_out(name, began_s))

    def dither(self, took_s: float) -> None:
        self.now_s += took_s
        self.inform(Dithered(east_arcsec=3.0, north_arcsec=4.0, settle_s=took_s))

    def slew(self, took_s: float, side: str) -> None:
        self.now_s += took_s
        self.inform(slew_to(side))

    def record(self) -> NightRecord:
        return NightRecord.from_events(self.events)


def read_out(name: str, began_s: float) -> FrameRead:
    known = {"exposure_id": name, "began_utc_s": began_s, "exposure_s": EXPOSURE_S}
    return FrameRead.model_construct(**known)


def slew_to(side: str) -> MotionEnded:
    return MotionEnded.model_construct(what="slew", pier_side=side)


def test_gaps_are_the_shortest_of_their_kind():
    story = Story()
    story.slew(30.0, "east")
    story.light()
    story.now_s += 3.0
    story.light()
    # Ends at an instant that rounds up beyond the beginning of the next exposure.
    story.dither(20.0006)
    story.light()
    story.now_s += 2.0
    story.light()
    story.slew(90.0, "west")
    story.light()
    story.slew(70.0, "west")
    story.light("B")
    record = story.record()
    assert gaps_of(record, story.events) == Gaps(
        plain=pytest.approx(2.0), dithered=pytest.approx(20.0, abs=0.01),
        flipped=pytest.approx(90.0), switched=pytest.approx(70.0),
    )  # fmt: skip
    assert undithered(record, story.events, 2) == ()


def test_dithers_are_missed_only_where_they_were_left_out():
    story = Story()
    for _ in range(4):
        story.light()
        story.now_s += 2.0
    story.dither(20.0)
    for _ in range(2):
        story.light()
        story.now_s += 2.0
    record = story.record()
    # They begin at 1000, 1102, 1204, 1306 s and after the dither at 1428, 1530 s.
    near = pytest.approx
    assert undithered(record, story.events, 2) == ((near(1204.0, abs=1.0), near(1306.0, abs=1.0)),)
    assert undithered(record, story.events, 1) == (
        (near(1102.0, abs=1.0), near(1306.0, abs=1.0)),
        (near(1530.0, abs=1.0), near(1530.0, abs=1.0)),
    )
    assert undithered(record, story.events, 4) == undithered(record, story.events, 0) == ()


def test_dithers_are_seen_also_when_the_clock_of_the_journal_is_set():
    story = Story()
    story.light()
    story.now_s += 2.0
    story.clock_off_s = 7.0  # what was written at the end of the dither lies after the exposure
    story.dither(20.0)
    story.light()
    assert gaps_of(story.record(), story.events).dithered == pytest.approx(22.0)


def test_the_shorter_of_two_nights_counts():
    one, other = Gaps(plain=2.0, switched=80.0), Gaps(plain=3.0, switched=70.0, flipped=90.0)
    assert one.shortest(other) == Gaps(plain=2.0, switched=70.0, flipped=90.0)
    assert one.shortest(None) == one
