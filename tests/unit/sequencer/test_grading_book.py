"""The night's grades: who is compared with whom, and the later look."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.orders.models import GradingSettings
from midwatch.sequencer.grading import (
    Graded,
    Grader,
    LightFrame,
    Verdict,
    earlier_lights,
    judge,
    look_again,
)

BOUNDS = GradingSettings()
FIRST = LightFrame(
    target="M 3", filter="L", exposure_s=60.0, guided=True, exposure_id="f0", stars=100
)


class Median:
    """Rejects what has half of the stars of the others, once there are three."""

    name: ClassVar[str] = "median"

    def grade(
        self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
    ) -> Verdict:
        counts = sorted(other.stars or 0 for other in others)
        bad = len(counts) >= 3 and (light.stars or 0) < 0.5 * counts[len(counts) // 2]
        return Verdict("rejected" if bad else "accepted", (f"{len(counts)} others",))


class Sour:
    """Doubts everything."""

    name: ClassVar[str] = "sour"

    def grade(
        self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
    ) -> Verdict:
        return Verdict("doubtful", ("sour",))


GRADERS: dict[str, Grader] = {"median": Median()}


def night(*stars: int) -> tuple[list[Graded], list[tuple[str, str, int]]]:
    book: list[Graded] = []
    changed = []
    for number, count in enumerate(stars):
        light = replace(FIRST, exposure_id=f"f{number}", stars=count)
        judge(GRADERS, book, light, BOUNDS)
        changed += [
            (entry.light.exposure_id, verdict.grade, number)
            for entry, before, verdict in look_again(GRADERS, book, light, BOUNDS)
            if before == "accepted"
        ]
    return book, changed


def test_early_frames_under_cloud_are_taken_back_when_it_clears() -> None:
    book, changed = night(40, 45, 100, 101, 99, 100)
    assert [entry.grade for entry in book] == ["rejected"] * 2 + ["accepted"] * 4
    assert {name for name, _, _ in changed} == {"f0", "f1"}


def test_a_frame_seen_next_to_enough_others_is_final() -> None:
    book, changed = night(*([100] * 26), *([300] * 40))
    assert not [name for name, _, _ in changed if name == "f25"]
    assert book[25].compared == 25


def test_a_later_look_never_makes_good() -> None:
    book, changed = night(100, 100, 100, 40, 40, 40, 40, 40)
    assert [entry.grade for entry in book].count("rejected") == 5
    assert changed == []


def test_only_frames_alike_are_compared() -> None:
    book: list[Graded] = []
    others = [
        replace(FIRST, exposure_id=f"o{n}", stars=1000, **change)
        for n, change in enumerate(
            [{"filter": "R"}, {"gain": 5}, {"binning": 2}, {"target": "M 5"}, {"offset": 7}]
        )
    ]
    for light in others:
        judge(GRADERS, book, light, BOUNDS)
    verdict, compared = judge(GRADERS, book, FIRST, BOUNDS)
    assert (verdict.grade, compared) == ("accepted", 0)


def test_other_lengths_are_compared_until_there_are_enough_of_the_same() -> None:
    book: list[Graded] = []
    for n in range(6):
        judge(GRADERS, book, replace(FIRST, exposure_id=f"o{n}", exposure_s=300.0), BOUNDS)
    found = [judge(GRADERS, book, replace(FIRST, exposure_id=f"f{n}"), BOUNDS)[1] for n in range(7)]
    assert found == [6, 7, 8, 9, 10, 5, 6]


def test_short_first_frames_under_cloud_are_taken_back_by_long_ones() -> None:
    book: list[Graded] = []
    judge(GRADERS, book, replace(FIRST, stars=10), BOUNDS)
    for n in range(3):
        long = replace(FIRST, exposure_id=f"o{n}", exposure_s=300.0)
        judge(GRADERS, book, long, BOUNDS)
        worse = [entry for entry, _, _ in look_again(GRADERS, book, long, BOUNDS)]
    assert [entry.light.exposure_id for entry in worse] == ["f0"]


def test_the_worst_opinion_counts_and_only_its_reasons_are_reported() -> None:
    verdict, _ = judge({"median": Median(), "sour": Sour()}, [], FIRST, BOUNDS)
    assert (verdict.grade, verdict.reasons) == ("doubtful", ("sour",))
    assert judge({}, [], FIRST, BOUNDS)[0].reasons


class Stumbling:
    """Fails."""

    name: ClassVar[str] = "stumbling"

    def grade(
        self, light: LightFrame, others: tuple[LightFrame, ...], bounds: GradingSettings
    ) -> Verdict:
        raise ZeroDivisionError("no stars")


def test_a_grader_that_fails_leaves_a_doubt_and_loses_no_frame() -> None:
    verdict, _ = judge({"stumbling": Stumbling()}, [], FIRST, BOUNDS)
    assert verdict.grade == "doubtful"
    assert "stumbling failed" in verdict.reasons[0]


def begun(name: str) -> e.FrameBegun:
    return e.FrameBegun(exposure_id=name, frame="light", target="M 3", order_index=0, filter="L",
                        exposure_s=60.0, gain=1, offset=2, binning=1)  # fmt: skip


def record_of(*facts: e.Fact) -> NightRecord:
    events = [Event(n, 1000.0 + n, "2027-03-10", fact, "") for n, fact in enumerate(facts)]
    return NightRecord.from_events(events)


def test_a_frame_taken_back_no_longer_counts_and_is_asked_for_again() -> None:
    good = e.FrameGraded(exposure_id="a", grade="accepted", stars=9, airmass=1.5, compared=2)
    again = e.FrameRegraded(exposure_id="a", grade="rejected", reasons=("cloud",),
                            before="accepted", compared=6)  # fmt: skip
    assert record_of(begun("a"), good).accepted("M 3", 0) == 1
    record = record_of(begun("a"), good, again)
    assert record.accepted("M 3", 0) == 0
    frame = record.frames["a"]
    assert frame.first_grade == "accepted"
    assert frame.graded is not None
    assert (frame.graded.grade, frame.graded.reasons, frame.graded.stars) == (
        "rejected", ("cloud",), 9,
    )  # fmt: skip
    (entry,) = earlier_lights(record)
    assert (entry.grade, entry.compared, entry.light.airmass) == ("rejected", 6, 1.5)


def test_doubt_counts_only_where_it_was_ordered_to() -> None:
    for counts, expected in ((False, 0), (True, 1)):
        doubt = e.FrameGraded(exposure_id="a", grade="doubtful", doubt_counts=counts)
        record = record_of(begun("a"), doubt)
        assert record.accepted("M 3", 0) == expected
        assert not record.frames["a"].accepted
