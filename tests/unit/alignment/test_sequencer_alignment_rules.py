"""What a polar alignment does next: the night's safety first, then its own few steps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from midwatch.alignment import decide_alignment
from midwatch.alignment.alignment_rules import CLOSE_FOR_S, FIRST_READING_S, AlignArgs
from midwatch.sequencer.decision import (
    CloseArgs,
    Decision,
    FaultView,
    NightHours,
    OpenArgs,
    Operator,
    Pointing,
    Readiness,
    Safety,
    SecureArgs,
    StandingDue,
    Unguided,
    World,
    preempt,
)
from midwatch.sky.mounts.german import GermanEquatorial

T0 = 1.8e9
HOURS = NightHours(T0, T0, T0, T0 + 20_000)
AT_REST = Pointing(parked=True)
OUT = Pointing(parked=False, tracking=True, pier_side="east")
SHUT = Readiness(connected=True, has_roof=True, roof_open=False, roof_closed=True)
OPEN = replace(SHUT, roof_open=True, roof_closed=False)
RAIN = Safety(False, "rain", T0)
ALIGNING = Decision("align", "phase", "everything is ready", AlignArgs())


def world(**changes: object) -> World:
    base = World(
        now_s=T0 + 60.0,
        hours=HOURS,
        mount=GermanEquatorial(5.0, 2.5, 0.75),
        safety=Safety(True, "fine"),
        pointing=AT_REST,
        ready=SHUT,
        targets=(),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def chosen(**changes: object) -> str:
    return decide_alignment(world(**changes)).duty


def test_the_steps_come_in_order() -> None:
    assert chosen(ready=Readiness(has_roof=True, roof_open=False)) == "connect"
    assert chosen() == "open"
    assert chosen(ready=OPEN) == "align"
    assert chosen(ready=replace(OPEN, has_roof=False)) == "align"
    over = Operator(close="midwatch ended the night: it is done")
    ending = decide_alignment(world(ready=OPEN, pointing=OUT, operator=over))
    assert (ending.duty, ending.args) == ("close", CloseArgs(for_now=True))
    assert chosen(ready=replace(SHUT, closed_up=True)) == "finish"


def test_nothing_opens_before_the_first_good_reading_nor_long_without_one() -> None:
    waiting = decide_alignment(world(safety=RAIN))
    assert (waiting.duty, waiting.cause, waiting.until_s) == (
        "wait",
        "unsafe",
        T0 + FIRST_READING_S,
    )
    late = decide_alignment(world(safety=RAIN, now_s=T0 + FIRST_READING_S))
    assert (late.duty, late.reason) == ("close", "nothing is opened: rain")


@pytest.mark.parametrize("ready", [OPEN, SHUT])
def test_unsafe_weather_parks_and_closes_whatever_is_under_way(ready: Readiness) -> None:
    bad = world(safety=RAIN, pointing=OUT, ready=ready)
    for urgent in (decide_alignment(bad), preempt(bad, ALIGNING, decide_alignment)):
        assert urgent is not None
        assert (urgent.duty, urgent.args, urgent.reason) == ("secure", SecureArgs(), "rain")
    opening = preempt(world(safety=RAIN, ready=OPEN), Decision("open", "phase", "", OpenArgs()))
    assert opening is not None
    assert opening.duty == "secure"


def test_the_mount_parks_under_a_roof_that_does_not_say_that_it_is_open() -> None:
    shut = world(pointing=OUT)
    for urgent in (decide_alignment(shut), preempt(shut, ALIGNING, decide_alignment)):
        assert urgent is not None
        assert (urgent.duty, urgent.args) == ("secure", SecureArgs(roof="leave"))


def test_a_limit_and_a_person_end_it() -> None:
    soon = world(ready=OPEN, pointing=replace(OUT, limit_at_s=T0 + 80.0))
    ordered = world(ready=OPEN, pointing=OUT, operator=Operator(close="you ended it"))
    for given, duty in ((soon, "halt"), (ordered, "close")):
        urgent = preempt(given, ALIGNING, decide_alignment)
        assert urgent is not None
        assert urgent.duty == duty


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"now_s": HOURS.dawn_s}, id="daylight"),
        pytest.param(
            {"standing": (StandingDue("dew", "close", True, "dew: 80 %"),)}, id="standing order"
        ),
        pytest.param(
            {"faults": (FaultView("1", "roof", "stuck", blocks=("open",), again_at_s=T0 + 90.0),)},
            id="what failed is left to the person",
        ),
        pytest.param({"ready": replace(OPEN, putting_away=True)}, id="there is no way back"),
    ],
)
def test_whatever_stops_it_ends_it(changes: dict[str, object]) -> None:
    assert chosen(**changes) == "close"


def test_orders_about_guiding_are_none_of_its_business() -> None:
    lost = Unguided("close", reason="the guider is gone")
    assert chosen(ready=OPEN, unguided=lost) == "align"


def failed(since_s: float) -> FaultView:
    return FaultView(
        "1", "mount", "not parked", blocks=("close",), again_at_s=T0 + 10_000.0, since_s=since_s
    )


def test_closing_is_tried_for_a_while_and_in_bad_weather_for_as_long_as_in_a_night() -> None:
    ended = {"ready": OPEN, "pointing": OUT, "operator": Operator(close="it is done")}
    later = {"now_s": T0 + CLOSE_FOR_S + 60.0, "faults": (failed(T0 + 30.0),)}
    assert chosen(**ended, faults=(failed(T0),)) == "wait"
    assert chosen(**ended, **later) == "finish"
    assert chosen(**ended, **later, safety=RAIN) != "finish"
    given_up = (replace(failed(T0), given_up=True),)
    assert chosen(**ended, faults=given_up) == "finish"


def test_a_rig_that_never_came_up_is_not_waited_for() -> None:
    away = {
        "ready": Readiness(has_roof=True, roof_open=False),
        "pointing": Pointing(parked=False),
    }
    missing = FaultView("1", "mount", "not on the bus", blocks=("connect",), again_at_s=T0 + 90.0)
    assert chosen(**away, faults=(missing,)) == "close"
    assert chosen(**away, faults=(missing, failed(T0))) == "finish"
