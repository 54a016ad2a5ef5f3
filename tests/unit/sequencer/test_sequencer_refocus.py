"""When to refocus: for which break it waits, when it comes early, and what asks for it."""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.orders.models import FocusSettings, StandingOrder
from midwatch.sequencer.decision import (
    FocusArgs,
    FocusView,
    FrameNeed,
    NightHours,
    Pointing,
    Readiness,
    Safety,
    StandingDue,
    TargetView,
    World,
    decide,
)
from midwatch.sequencer.facts import LookoutGuards, Reading, View, with_rig_defaults
from midwatch.sky.mounts.german import GermanEquatorial
from midwatch_plugins.duties.focusing import Focus
from midwatch_plugins.lookouts.focus_lookouts import Defocus, StarSize, Temperature

T0 = 1.8e9
HOURS = NightHours(T0, T0 + 100, T0 + 200, T0 + 40_000)
NOW = T0 + 10_000
READY = Readiness(
    connected=True, prepared=True, roof_open=True, roof_closed=False, has_roof=True, focused=True,
    has_guider=True, guiding=True,
)  # fmt: skip
DUE = StandingDue("defocus", "focus", False, "defocus: 26 %", 1.04)
FOCUSED = FocusView(since_s=NOW - 5400.0)


def world(needs: tuple[FrameNeed, ...], **changes: object) -> World:
    a = TargetView("A", 1, ((T0, T0 + 39_000),), ((T0, T0 + 39_000),), NOW + 20_000, needs)
    b = replace(a, name="B", priority=2, needs=(FrameNeed(0, "L", 300.0, 9),))
    base = World(
        now_s=NOW,
        hours=HOURS,
        mount=GermanEquatorial(5.0, 2.5, 0.75),
        safety=Safety(True, "fine"),
        pointing=Pointing(False, True, "west", "A", True),
        ready=READY,
        targets=(a, b),
        standing=(DUE,),
        focus=FOCUSED,
        durations_s={"expose": 5.0},
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def reason_not_to_focus(any_world: World) -> str:
    decision = decide(any_world)
    assert decision.duty == "expose"
    return next(why for option, why in decision.ruled_out if option == "focus")


def test_in_the_middle_of_a_series_a_due_refocus_is_done_in_the_filter_that_comes_next() -> None:
    decision = decide(world((FrameNeed(0, "R", 300.0, 9),)))
    assert decision.duty == "focus"
    assert decision.args == FocusArgs(trigger="defocus", filter="R")
    assert decision.reason == "defocus: 26 %"


def test_it_waits_for_a_change_of_target_that_is_near() -> None:
    near = world((FrameNeed(0, "L", 300.0, 2),))
    assert "waiting 10 min for the change of target" in reason_not_to_focus(near)
    assert decide(world((FrameNeed(0, "L", 300.0, 3),))).duty == "focus"
    # Two frames of 20 min are too long to wait.
    assert decide(world((FrameNeed(0, "L", 1200.0, 2),))).duty == "focus"


def test_it_waits_for_a_change_of_filter_that_is_near() -> None:
    two = (FrameNeed(0, "R", 300.0, 1), FrameNeed(1, "G", 300.0, 9))
    assert "waiting 5 min for the change of filter" in reason_not_to_focus(world(two))
    same = (FrameNeed(0, "R", 300.0, 1), FrameNeed(1, "R", 600.0, 9))
    assert decide(world(same)).duty == "focus"


def test_it_waits_for_the_flip_and_comes_right_after_it() -> None:
    """An hour angle limit 11 min ahead leaves room for two frames of 305 s (arithmetic)."""
    needs = (FrameNeed(0, "L", 300.0, 30),)
    before = world(needs)
    ahead_s = 5.0 / (360.98564736629 / 86400.0)
    a = replace(before.targets[0], transit_s=NOW + 11 * 60.0 + 30.0 - ahead_s)
    close = replace(before, targets=(a,))
    assert "for the meridian flip" in reason_not_to_focus(close)
    now = replace(close, now_s=a.transit_s + ahead_s - 100.0)
    flip = decide(now)
    assert flip.duty == "flip"
    assert any(option == "focus" for option, _ in flip.ruled_out)
    flipped = replace(
        now, pointing=Pointing(False, True, "east", "A", True), ready=replace(READY, guiding=False)
    )
    assert decide(flipped).duty == "focus"


def test_what_grows_too_fast_does_not_wait() -> None:
    """Due since 26 of 25 percent after ten minutes: ten minutes on it would be twice that."""
    fresh = replace(FOCUSED, since_s=NOW - 600.0)
    assert decide(world((FrameNeed(0, "L", 300.0, 2),), focus=fresh)).duty == "focus"
    at_once = replace(DUE, at_once=True)
    assert decide(world((FrameNeed(0, "L", 300.0, 2),), standing=(at_once,))).duty == "focus"


def test_it_comes_early_while_guiding_is_still_off() -> None:
    nearly = replace(FOCUSED, urgency=0.75, rule="temperature", message="temperature: 1.1 degC")
    needs = (FrameNeed(0, "L", 300.0, 9),)
    off = world(needs, standing=(), focus=nearly, ready=replace(READY, guiding=False))
    decision = decide(off)
    assert decision.args == FocusArgs(trigger="temperature", filter="L")
    assert "1.1 degC" in decision.reason
    assert decide(replace(off, ready=READY)).duty == "expose"
    assert decide(replace(off, focus=replace(nearly, urgency=0.5))).duty == "guide"


def test_flips_and_strange_filters_ask_for_focus_where_the_rig_says_so() -> None:
    needs = (FrameNeed(0, "Ha", 300.0, 9),)
    flipped = decide(world(needs, standing=(), focus=replace(FOCUSED, after_flip=True)))
    assert flipped.args == FocusArgs(trigger="flip", filter="Ha")
    strange = decide(world(needs, standing=(), focus=replace(FOCUSED, strange_filters=("Ha",))))
    assert strange.args == FocusArgs(trigger="filter", filter="Ha")
    assert "neither declared nor learned" in strange.reason
    other = replace(FOCUSED, strange_filters=("OIII",))
    assert decide(world(needs, standing=(), focus=other)).duty == "expose"


anything = st.floats(allow_nan=True, allow_infinity=True)


@settings(max_examples=150)
@given(
    st.builds(
        FocusView,
        since_s=st.one_of(st.none(), anything),
        after_flip=st.booleans(),
        strange_filters=st.lists(st.sampled_from(["L", "R"]), max_size=2).map(tuple),
        urgency=anything,
        rule=st.just("hfr"),
        message=st.just("hfr"),
    ),
    anything,
    st.integers(1, 4),
    st.floats(0.0, 4000.0),
    st.floats(-30_000.0, 30_000.0),
    st.booleans(),
)
def test_deciding_about_focus_is_total(
    focus: FocusView, urgency: float, left: int, exposure_s: float, transit_s: float, guiding: bool
) -> None:
    needs = (FrameNeed(0, "R", exposure_s, left), FrameNeed(1, "L", exposure_s, left))
    some = world(needs, focus=focus, standing=(replace(DUE, urgency=urgency),),
                 ready=replace(READY, guiding=guiding))  # fmt: skip
    some = replace(some, targets=(replace(some.targets[0], transit_s=NOW + transit_s),))
    decision = decide(some)
    assert decision == decide(some)
    assert decision.reason


# Lookouts -------------------------------------------------------------------------------


def view(**changes: object) -> View:
    return View(now_s=NOW, **changes)  # type: ignore[arg-type]


def test_temperature_answers_until_the_line_is_learned() -> None:
    from midwatch.devices.contract.kinds import FocuserState

    cold = FocuserState(connected=True, at_rest=True, position=1, temperature_c=3.0)
    seen = view(focuser=cold, settled_at_c=5.0)
    assert Temperature().read(seen).level == 2.0
    learned = replace(seen, focus_learned=True, focus_verdict="+25.0 +- 1.0 steps/degC")
    reading = Temperature().read(learned)
    assert reading.level == 0.0
    assert "+25.0" in reading.message
    assert Temperature().read(view(focuser=cold)).level is None


def test_defocus_is_reported_in_percent_of_the_zone() -> None:
    assert Defocus().read(view()).level is None
    assert Defocus().read(view(defocus_percent=31.5)).level == 31.5


def test_star_sizes_need_more_frames_where_the_temperature_gives_no_reason() -> None:
    grown = (1.0, 1.0, 1.0, 1.3, 1.3, 1.3)
    look = StarSize().read
    assert math.isclose(look(view(focused_at_s=T0, size_ratios=grown)).level or 0.0, 30.0)
    calm = view(focused_at_s=T0, size_ratios=grown, defocus_percent=4.0)
    assert math.isclose(look(calm).level or 0.0, 15.0)
    assert look(replace(calm, size_ratios=grown[:5])).level == 0.0
    assert look(replace(calm, focused_at_s=None)).level is None


def test_a_single_frame_is_believed_where_stars_have_leapt() -> None:
    look = StarSize().read
    slipped = look(view(focused_at_s=T0, size_ratios=(1.0, 1.9), defocus_percent=4.0))
    assert slipped.level is not None
    assert math.isclose(slipped.level, 90.0)
    assert look(view(focused_at_s=T0, size_ratios=(1.0, 1.3))).level == 0.0
    back = (1.0, 1.9, 1.0, 1.0, 1.0, 1.0, 1.0)
    assert math.isclose(look(view(focused_at_s=T0, size_ratios=back)).level or 0.0, 0.0)


class _Level:
    name, unit, trip, clear, missing = "defocus", "percent", 25.0, 20.0, "unknown"

    def __init__(self) -> None:
        self.level: float | None = 0.0

    def read(self, _view: View) -> Reading:
        return Reading(self.level, f"{self.level} %")


def test_the_desk_says_how_urgent_what_is_due_and_what_is_ahead() -> None:
    lookout = _Level()
    order = StandingOrder(when="defocus", do="focus")
    desk = LookoutGuards((order,), {"defocus": lookout}, {"focus": Focus()})  # type: ignore[dict-item]
    lookout.level = 20.0
    desk.update(view(), lambda _: None)
    assert desk.pressing("focus") == (0.8, "defocus", "defocus: 20.0 %")
    assert desk.pressing("wait")[0] == 0.0
    assert desk.due() == ()
    lookout.level = 30.0
    desk.update(view(), lambda _: None)
    assert desk.due()[0].urgency == 1.2
    assert desk.due()[0].args == FocusArgs(trigger="defocus")
    assert desk.pressing("focus")[0] == 0.0


def test_the_rig_brings_its_own_rules_and_none_that_it_forbids() -> None:
    rig = FocusSettings(start_position=9000, step=80, hfr_percent=None, temperature_c=2.0)
    rules = {order.when: order.trip for order in with_rig_defaults((), rig)}
    assert rules == {"defocus": 25.0, "temperature": 2.0}
