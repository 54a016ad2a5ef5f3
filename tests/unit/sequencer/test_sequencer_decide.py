"""`decide` over arbitrary worlds: total, deterministic, and never against a limit."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.sequencer.decision import (
    CORE_DUTIES,
    CalibrateArgs,
    CalibrationNeed,
    CentreArgs,
    CloseArgs,
    Decision,
    DutyArgs,
    EndNightArgs,
    EngineWord,
    ExposeArgs,
    FaultView,
    FocusArgs,
    FrameNeed,
    GuideArgs,
    NamedArgs,
    NightHours,
    NoArgs,
    Operator,
    Pointing,
    PowerCycleArgs,
    Readiness,
    RecalibrateArgs,
    ReconnectArgs,
    RestartDriverArgs,
    RestTargetArgs,
    Safety,
    SecureArgs,
    StandingDue,
    TargetView,
    Unguided,
    WaitArgs,
    World,
    decide,
    preempt,
)
from midwatch.sky.mounts.german import GermanEquatorial

T0 = 1.8e9
HOURS = NightHours(T0, T0 + 2400, T0 + 4800, T0 + 40_000)
MOUNT = GermanEquatorial(5.0, 2.5, 0.75)
ALL_READY = Readiness(
    connected=True, prepared=True, roof_open=True, roof_closed=False, has_roof=True, focused=True,
    has_guider=True, guiding=True,
)  # fmt: skip


def target(name: str = "A", **changes: object) -> TargetView:
    base = TargetView(
        name=name,
        priority=1,
        windows=((HOURS.dusk_s, HOURS.dusk_s + 18_000),),
        reach=((T0, HOURS.dusk_s + 18_000),),
        transit_s=T0 - 20_000,
        needs=(FrameNeed(0, "L", 300.0, 5),),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def world(**changes: object) -> World:
    base = World(
        now_s=HOURS.dusk_s + 100,
        hours=HOURS,
        mount=MOUNT,
        safety=Safety(True, "fine"),
        pointing=Pointing(parked=False, tracking=True, pier_side="east", target="A", centred=True),
        ready=ALL_READY,
        targets=(target(),),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


# Arbitrary worlds ------------------------------------------------------------------------------

moments = st.floats(T0 - 5000, T0 + 50_000)
names = st.sampled_from(["A", "B", "C"])
duties = st.sampled_from(
    ["slew", "centre", "focus", "guide", "dither", "flip", "expose", "secure", "close", "open",
     "prepare", "calibrate", "halt"]
)  # fmt: skip


@st.composite
def windows(draw: st.DrawFn) -> tuple[tuple[float, float], ...]:
    edges = sorted(draw(st.lists(moments, max_size=6)))
    return tuple(zip(edges[::2], edges[1::2], strict=False))


needs = st.lists(
    st.builds(
        FrameNeed,
        st.integers(0, 3),
        st.sampled_from([None, "L", "R"]),
        st.floats(1, 3600),
        st.integers(1, 50),
        st.booleans(),
    ),
    max_size=4,
).map(tuple)

targets = st.lists(
    st.builds(
        TargetView,
        name=names,
        priority=st.integers(1, 3),
        windows=windows(),
        reach=windows(),
        transit_s=moments,
        needs=needs,
        blocked_until_s=st.one_of(st.just(0.0), moments),
        blocked_reason=st.just("it failed"),
        skipped=st.booleans(),
        hidden_until_s=st.one_of(st.just(0.0), moments),
        hidden_reason=st.just("no stars there"),
    ),
    max_size=3,
    unique_by=lambda t: t.name,
).map(tuple)

remedies = st.sampled_from(
    [
        GuideArgs(), FocusArgs(trigger="remedy"), CentreArgs(target="A"),
        ReconnectArgs(device="mount"), RestartDriverArgs(device="camera"),
        PowerCycleArgs(device="camera", outlet="camera"), RecalibrateArgs(device="guider"),
        RestTargetArgs(device="sky"), WaitArgs(device="mount"), EndNightArgs(device="camera"),
    ]
)  # fmt: skip
faults = st.lists(
    st.builds(
        FaultView,
        fault_id=st.sampled_from(["1", "2"]),
        device=st.sampled_from(["mount", "camera"]),
        message=st.just("broken"),
        remedy=st.one_of(st.none(), remedies),
        blocks=st.lists(duties, max_size=3).map(tuple),
        again_at_s=moments,
        held=st.booleans(),
        background=st.booleans(),
        stops=st.lists(duties, max_size=2).map(tuple),
        only_target=st.one_of(st.none(), names),
    ),
    max_size=2,
).map(tuple)


class Warmth(DutyArgs):
    """What a duty of another package takes."""

    outlet: str = "heater"


ordered = st.sampled_from(
    [
        ("focus", FocusArgs(trigger="temperature")), ("wait", WaitArgs()), ("close", CloseArgs()),
        ("heat_lens", Warmth()), ("lamp_off", NoArgs()),
    ]
)  # fmt: skip
standing = st.lists(
    st.builds(
        lambda when, task, at_once: StandingDue(when, task[0], at_once, "it tripped", args=task[1]),
        st.sampled_from(["temperature", "clouds"]),
        ordered,
        st.booleans(),
    ),
    max_size=2,
).map(tuple)

worlds = st.builds(
    World,
    now_s=moments,
    hours=st.just(HOURS),
    mount=st.builds(GermanEquatorial, st.floats(4.1, 30), st.floats(0, 30), st.floats(0, 4)),
    safety=st.builds(Safety, st.booleans(), st.just("weather")),
    pointing=st.builds(
        Pointing,
        parked=st.booleans(),
        tracking=st.booleans(),
        pier_side=st.sampled_from(["east", "west", "unknown"]),
        target=st.one_of(st.none(), names),
        centred=st.booleans(),
        limit_at_s=st.one_of(st.just(math.inf), moments),
    ),
    ready=st.builds(
        Readiness,
        connected=st.booleans(),
        prepared=st.booleans(),
        roof_open=st.booleans(),
        roof_closed=st.booleans(),
        has_roof=st.booleans(),
        focused=st.booleans(),
        has_guider=st.booleans(),
        guiding=st.booleans(),
        closed_up=st.booleans(),
    ),
    targets=targets,
    operator=st.builds(Operator, st.booleans(), st.one_of(st.none(), st.just("by hand"))),
    faults=faults,
    standing=standing,
    calibration=st.lists(
        st.builds(
            CalibrationNeed,
            frame=st.sampled_from(["dark", "flat", "bias"]),
            filter=st.none(),
            exposure_s=st.floats(0, 600),
            gain=st.just(0),
            offset=st.just(0),
            binning=st.just(1),
            remaining=st.integers(1, 9),
        ),
        max_size=2,
    ).map(tuple),
    durations_s=st.dictionaries(duties, st.floats(0, 600), max_size=4),
    margin_s=st.floats(0, 120),
    unguided=st.one_of(
        st.none(),
        st.builds(
            Unguided,
            do=st.sampled_from(["go_on", "rest", "close"]),
            longest_s=st.floats(1, 600),
            again_at_s=moments,
        ),
    ),
)


@settings(max_examples=250)
@given(worlds)
def test_decide_is_total_deterministic_and_inside_every_limit(any_world: World) -> None:
    decision = decide(any_world)
    assert decision == decide(any_world)
    assert decision.reason
    if decision.duty == "wait":
        assert decision.cause is not None
        assert decision.until_s is None or decision.until_s > any_world.now_s
    if any_world.ready.closed_up:
        assert decision.duty == "finish" or decision.rule in ("limits", "faults")
    check_limits(any_world, decision)


def own(model: type[NamedArgs]) -> type[NamedArgs]:
    """Return the model that a duty of this name takes, or the word that the engine knows."""
    words = {word.duty: word for word in EngineWord.__subclasses__()}
    return words[model.duty] if issubclass(model, EngineWord) else CORE_DUTIES[model.duty]


@settings(max_examples=250)
@given(worlds)
def test_only_duties_of_the_core_are_chosen_and_each_with_its_own_arguments(
    any_world: World,
) -> None:
    decision = decide(any_world)
    for chosen in (decision, preempt(any_world, decision)):
        if chosen is None:
            continue
        model, args = type(chosen.args), chosen.args
        if isinstance(args, NamedArgs):
            assert (args.duty, own(model)) == (chosen.duty, model)
        else:
            # Of another package: given as its standing order gives it.
            assert chosen.rule == "standing_order"
            assert (chosen.duty, args) in [(due.do, due.args) for due in any_world.standing]
        assert model.model_validate(args.model_dump(), strict=True) == args
        assert (chosen.fault_id is not None) == (chosen.journaled_args() != args.journaled())
    if decision.rule == "faults":
        assert (decision.fault_id, decision.args) in [
            (fault.fault_id, fault.remedy) for fault in any_world.faults
        ]


def check_limits(any_world: World, decision: Decision) -> None:
    now, pointing, ready = any_world.now_s, any_world.pointing, any_world.ready
    if decision.duty in ("open", "slew", "centre", "flip", "guide", "dither", "expose"):
        if decision.rule == "faults":
            return
        assert any_world.safety.safe
        assert any_world.operator.close is None
        assert not any_world.operator.paused
        assert HOURS.work_from_s <= now < HOURS.dawn_s
        assert decision.duty == "open" or ready.roof_open
        assert not (pointing.tracking and pointing.limit_at_s - now <= any_world.margin_s)
    if decision.duty in ("slew", "flip", "expose"):
        chosen = next(t for t in any_world.targets if t.name == decision.target)
        assert not chosen.skipped
        assert any(a <= now < b for a, b in chosen.reach)
    if decision.duty == "expose":
        check_exposure(any_world, decision, chosen)


def check_exposure(any_world: World, decision: Decision, chosen: TargetView) -> None:
    now, pointing = any_world.now_s, any_world.pointing
    args = decision.args
    assert isinstance(args, ExposeArgs)
    need = next(
        n for n in chosen.needs
        if (n.index, n.exposure_s) == (args.order_index, args.exposure_s)
    )  # fmt: skip
    ends = now + need.exposure_s
    assert need.remaining > 0
    assert ends <= HOURS.dawn_s
    assert any(a <= now and ends <= b for a, b in chosen.windows)
    assert pointing.target == chosen.name
    assert pointing.centred
    assert pointing.tracking
    if pointing.pier_side == "west":
        past = any_world.mount.past_meridian_deg
        for at_s in (now, (now + ends) / 2, ends):
            assert chosen.hour_angle_deg(at_s) <= past + 0.02


@settings(max_examples=100)
@given(worlds, duties)
def test_a_duty_is_only_interrupted_for_good_reason(any_world: World, duty: str) -> None:
    # Whether the duty works on a target at all does not matter to what may interrupt it.
    running = Decision(duty, "next_frame", "it was time", CentreArgs(target="A"))
    urgent = preempt(any_world, running)
    assert urgent == preempt(any_world, running)
    if urgent is None:
        return
    assert duty not in ("secure", "close")
    skipped = any(t.skipped and t.name == "A" for t in any_world.targets)
    uncovered = any_world.ready.has_roof and not any_world.ready.roof_open
    good = (
        not any_world.safety.safe
        or (uncovered and not any_world.pointing.parked)
        or any_world.operator.close is not None
        or any(d.at_once for d in any_world.standing)
        or any_world.pointing.limit_at_s - any_world.now_s <= any_world.margin_s
        or skipped
        or any(duty in f.stops for f in any_world.faults)
        or all(t.name != "A" for t in any_world.targets)  # it was taken out of the orders
    )
    assert good


# The order of the rules ---------------------------------------------------------------------------


def test_a_ready_rig_exposes() -> None:
    decision = decide(world())
    assert decision.duty == "expose"
    assert decision.args == ExposeArgs(target="A", order_index=0, filter="L", exposure_s=300.0)
    journaled = {"target": "A", "order_index": 0, "filter": "L", "exposure_s": 300.0}
    assert decision.journaled_args() == journaled


def test_unsafe_weather_comes_before_everything() -> None:
    rain = Safety(False, "rain")
    decision = decide(world(safety=rain, operator=Operator(close="by hand")))
    assert (decision.duty, decision.rule, decision.reason) == ("secure", "safety", "rain")


def test_a_limit_comes_before_the_next_frame() -> None:
    soon = Pointing(False, True, "east", "A", True, limit_at_s=HOURS.dusk_s + 120)
    assert decide(world(pointing=soon)).duty == "halt"


def test_an_exposure_that_would_end_after_the_window_is_not_begun() -> None:
    # 300 s of exposure, 5 s of overhead and 30 s of margin do not fit into 334 s; 336 s do.
    end = HOURS.dusk_s + 18_000
    late = world(now_s=end - 334.0)
    assert decide(late).duty != "expose"
    assert decide(world(now_s=end - 336.0)).duty == "expose"


def test_the_worked_example_of_a_meridian_limit() -> None:
    """An exposure of 300 s begun 3 min of hour angle before the meridian ends at +2m01s.

    Arithmetic: 300 s of clock are 300.82 s of hour angle. A limit of one minute past the meridian
    forbids it; a limit of three allows it.
    """
    now = HOURS.dusk_s + 100
    three_minutes_s = 180.0 / 1.00273791
    before = target(transit_s=now + three_minutes_s)
    west = Pointing(False, True, "west", "A", True)
    for past_min, allowed in ((1.0, False), (3.0, True)):
        rules = GermanEquatorial(past_min * 0.25, 2.5, 0.0)
        decision = decide(
            world(targets=(before,), pointing=west, mount=rules, margin_s=0.0,
                  durations_s={"expose": 0.0})
        )  # fmt: skip
        assert (decision.duty == "expose") is allowed


def test_a_flip_waits_for_its_earliest_moment_and_then_comes() -> None:
    now = HOURS.dusk_s + 100
    rules = GermanEquatorial(2.5, 2.5, 2.0)
    west = Pointing(False, True, "west", "A", True)
    early = decide(world(targets=(target(transit_s=now - 300),), pointing=west, mount=rules))
    assert (early.duty, early.cause) == ("wait", "waiting_for_meridian")
    # Two degrees of hour angle are 478.7 s of clock (arithmetic: 8 min x 0.99727).
    assert early.until_s == pytest.approx(now - 300 + 478.7, abs=0.1)
    due = decide(world(targets=(target(transit_s=now - 500),), pointing=west, mount=rules))
    assert due.duty == "flip"


def test_a_flip_is_only_begun_if_a_frame_fits_after_it() -> None:
    """The flip takes 200 s, centring 40 s, guiding 40 s, the frame 300 s, its overhead 5 s.

    With 30 s of margin these are 615 s (arithmetic).
    """
    now = HOURS.dusk_s + 100
    rules = GermanEquatorial(2.5, 2.5, 2.0)
    west = Pointing(False, True, "west", "A", True)
    takes = {"flip": 200.0, "centre": 40.0, "guide": 40.0, "expose": 5.0}
    # Two degrees of hour angle are 478.7 s of clock: due now, or in a minute.
    for transit_s, ahead_s, duty in ((now - 500.0, 0.0, "flip"), (now - 418.7, 60.0, "wait")):
        for left_s, fits in ((613.0, False), (617.0, True)):
            window = (HOURS.dusk_s, now + ahead_s + left_s)
            late = target(transit_s=transit_s, windows=(window,))
            decision = decide(world(targets=(late,), pointing=west, mount=rules, durations_s=takes))
            assert (decision.duty == duty) is fits
            if not fits:
                told = dict(decision.ruled_out)
                assert told["A"] == "too little time is left after the meridian flip"


def test_a_mount_that_goes_to_the_wrong_side_is_sent_where_either_side_will_do() -> None:
    """Common practice, no source: 5 degrees past the meridian is as far as the west side sees."""
    now = HOURS.dusk_s + 100
    # A degree of hour angle is 239.3 s of clock (arithmetic: 4 min x 0.99727).
    past, near = (target(name, transit_s=now - deg * 239.3) for name, deg in (("P", 6), ("N", 3)))
    near = replace(near, priority=2)
    well = Pointing(parked=True)
    assert decide(world(targets=(past, near), pointing=well)).target == "P"
    contrary = replace(well, contrary_until_s=now + 200.0)
    decision = decide(world(targets=(past, near), pointing=contrary))
    assert (decision.duty, decision.target) == ("slew", "N")
    alone = decide(world(targets=(past,), pointing=contrary))
    assert (alone.duty, alone.cause, alone.until_s) == ("wait", "fault", now + 200.0)
    assert any("wrong side" in reason for name, reason in alone.ruled_out if name == "P")
    forgiven = replace(contrary, contrary_until_s=now)
    assert decide(world(targets=(past,), pointing=forgiven)).target == "P"


def test_equal_priorities_are_served_by_who_sets_first() -> None:
    early = target("B", windows=((HOURS.dusk_s, HOURS.dusk_s + 7000),))
    fresh = Pointing(parked=True)
    decision = decide(world(targets=(target("A"), early), pointing=fresh))
    assert (decision.duty, decision.target) == ("slew", "B")
    assert ("A", "B comes first") in decision.ruled_out
    urgent = decide(world(targets=(target("A"), replace(early, priority=2)), pointing=fresh))
    assert urgent.target == "A"


def test_a_target_that_seems_hidden_yields_to_others_and_is_tried_where_there_are_none() -> None:
    now_s = HOURS.dusk_s + 100
    first = replace(target("A"), hidden_until_s=now_s + 600, hidden_reason="no stars there")
    fresh = Pointing(parked=True)
    both = decide(world(targets=(first, target("B", priority=2)), pointing=fresh))
    assert (both.duty, both.target) == ("slew", "B")
    assert ("A", "no stars there; B comes first") in both.ruled_out
    assert decide(world(targets=(first,), pointing=fresh)).target == "A"
    later = world(targets=(first, target("B", priority=2)), pointing=fresh, now_s=now_s + 601)
    assert decide(later).target == "A"


def test_what_hides_one_target_keeps_no_other_from_being_centred() -> None:
    there = Pointing(parked=False, tracking=True, pier_side="east", target="A")
    fault = FaultView("1", "sky", "no stars", blocks=("centre",), again_at_s=HOURS.dusk_s + 900)
    for only, duty in ((None, "wait"), ("B", "centre"), ("A", "wait")):
        view = replace(fault, only_target=only)
        assert decide(world(pointing=there, faults=(view,))).duty == duty


def test_nothing_is_focused_on_a_target_that_seems_hidden() -> None:
    hidden = target("A", hidden_until_s=HOURS.dusk_s + 900, hidden_reason="no stars there")
    due = StandingDue("temperature", "focus", False, "2 degC")
    assert decide(world(targets=(target("A"),), standing=(due,))).duty == "focus"
    assert decide(world(targets=(hidden,), standing=(due,))).duty == "expose"


def test_a_target_that_is_ready_before_dusk_is_waited_for() -> None:
    both = (target("A", windows=((HOURS.dusk_s, HOURS.dusk_s + 9000),)), target("B"))
    early = world(now_s=HOURS.dusk_s - 200, targets=both)
    decision = decide(early)
    assert (decision.duty, decision.until_s) == ("wait", HOURS.dusk_s)
    unready = Pointing(False, True, "east", "B", True)
    assert decide(replace(early, pointing=unready)).target == "A"


def test_steps_towards_the_first_frame_come_in_order() -> None:
    ready = replace(ALL_READY, focused=False, guiding=False)
    pointing = Pointing(False, True, "east", "A", centred=False)
    seen = []
    for _ in range(4):
        decision = decide(world(ready=ready, pointing=pointing))
        seen.append(decision.duty)
        pointing = replace(pointing, centred=True)
        if decision.duty == "focus":
            ready = replace(ready, focused=True)
        if decision.duty == "guide":
            ready = replace(ready, guiding=True)
    assert seen == ["centre", "focus", "guide", "expose"]


def test_a_failed_guider_does_not_stop_the_night() -> None:
    fault = FaultView("1", "guider", "no star", blocks=("guide",), again_at_s=HOURS.dusk_s + 900)
    decision = decide(world(ready=replace(ALL_READY, guiding=False), faults=(fault,)))
    assert decision.duty == "expose"
    assert any(option == "guide" for option, _ in decision.ruled_out)


def test_nothing_left_closes_the_night() -> None:
    done = target(needs=())
    decision = decide(world(targets=(done,)))
    assert decision.duty == "close"
    assert "nothing" in decision.reason


def test_calibration_comes_after_the_lights_and_behind_a_closed_roof() -> None:
    need = CalibrationNeed("dark", None, 300.0, 0, 0, 1, 5)
    over = world(now_s=HOURS.dawn_s + 1, calibration=(need,))
    assert decide(over).duty == "secure"
    shut = replace(ALL_READY, roof_open=False, roof_closed=True, guiding=False)
    closed = replace(over, pointing=Pointing(parked=True), ready=shut)
    decision = decide(closed)
    assert decision.duty == "calibrate"
    assert isinstance(decision.args, CalibrateArgs)
    assert decision.args.count == 5
    assert decide(replace(closed, calibration=())).duty == "close"


def test_a_wait_gives_way_when_something_becomes_possible() -> None:
    shut = replace(ALL_READY, roof_open=False, roof_closed=True)
    cloudy = Safety(False, "cloud")
    waiting = decide(world(safety=cloudy, pointing=Pointing(parked=True), ready=shut))
    assert (waiting.duty, waiting.cause) == ("wait", "unsafe")
    assert preempt(world(), waiting) is not None


def test_an_exposure_runs_on_for_a_refocus_but_not_for_rain() -> None:
    running = decide(world())
    focus = StandingDue("temperature", "focus", False, "2 degC")
    assert preempt(world(standing=(focus,)), running) is None
    assert preempt(world(standing=(replace(focus, at_once=True),)), running) is not None
    assert preempt(world(safety=Safety(False, "rain")), running) is not None


# Faults and remedies ------------------------------------------------------------------------------

SOON = HOURS.dusk_s + 110  # ten seconds after the world's instant
EXPOSING = ExposeArgs(target="A", order_index=0, filter="L", exposure_s=300.0)


def test_nothing_tracks_on_under_a_roof_that_does_not_say_that_it_is_open() -> None:
    shut = world(ready=replace(ALL_READY, roof_open=False))
    exposing = Decision("expose", "next_frame", "", EXPOSING)
    for urgent in (decide(shut), preempt(shut, exposing)):
        assert urgent is not None
        # What the sensor says need not be so: the roof is left as it is.
        assert (urgent.duty, urgent.args) == ("secure", SecureArgs(roof="leave"))
    parked = replace(shut, pointing=Pointing(parked=True))
    assert decide(parked).duty == "open"


def test_a_mount_whose_link_is_not_open_is_brought_back_before_it_is_parked() -> None:
    shut = replace(ALL_READY, roof_open=False, roof_closed=True)
    link = FaultView(
        "1", "mount", "its link is not open", ReconnectArgs(device="mount"), ("slew",),
        held=True, fault="silent",
    )  # fmt: skip
    assert decide(world(ready=shut, faults=(link,))).duty == "reconnect"
    # One that is well again, and still watched, is parked.
    watched = FaultView("1", "mount", "its link is not open", fault="silent")
    assert decide(world(ready=shut, faults=(watched,))).duty == "secure"


def test_under_a_silent_roof_an_exposure_ends_and_then_the_mount_parks() -> None:
    link = FaultView("1", "roof", "the roof is silent", blocks=("open",), held=True)
    ready = replace(ALL_READY, roof_open=False, roof_closed=False, missing=("roof",))
    silent = world(ready=ready, faults=(link,))
    assert preempt(silent, Decision("expose", "next_frame", "", EXPOSING)) is None
    decision = decide(silent)
    assert (decision.duty, decision.args) == ("secure", SecureArgs(roof="leave"))
    # All are silent together: that is the bus, and no command would arrive.
    assert decide(replace(silent, ready=replace(ready, missing=("mount", "roof")))).duty != "secure"


def test_a_remedy_that_is_due_comes_before_the_next_frame() -> None:
    fault = FaultView("7", "camera", "gone", ReconnectArgs(device="camera"), ("expose",))
    decision = decide(world(faults=(fault,)))
    assert (decision.duty, decision.rule) == ("reconnect", "faults")
    assert (decision.fault_id, decision.args) == ("7", ReconnectArgs(device="camera"))
    assert decision.journaled_args() == {"fault_id": "7", "device": "camera"}


def test_no_wait_outlasts_the_moment_at_which_a_remedy_is_due() -> None:
    fault = FaultView(
        "7",
        "camera",
        "gone",
        ReconnectArgs(device="camera"),
        ("expose",),
        again_at_s=SOON,
        held=True,
    )
    decision = decide(world(faults=(fault,)))
    assert (decision.duty, decision.cause, decision.until_s) == ("wait", "fault", SOON)


def test_a_remedy_next_to_the_work_is_left_to_whoever_does_it() -> None:
    fault = FaultView(
        "7",
        "guider",
        "gone",
        ReconnectArgs(device="guider"),
        ("guide",),
        held=True,
        background=True,
    )
    decision = decide(world(ready=replace(ALL_READY, guiding=False), faults=(fault,)))
    assert decision.duty == "expose"


def test_a_remedy_that_needs_the_sky_is_not_tried_under_a_roof_or_in_rain() -> None:
    fault = FaultView("7", "sky", "no focus", FocusArgs(trigger="remedy"), ("centre",))
    assert decide(world(faults=(fault,))).duty == "focus"
    parked = world(
        faults=(fault,),
        safety=Safety(False, "rain"),
        pointing=Pointing(parked=True),
        ready=replace(ALL_READY, roof_open=False, roof_closed=True),
    )
    assert decide(parked).duty == "wait"


def test_in_bad_weather_a_lost_mount_is_brought_back_so_that_it_can_be_parked() -> None:
    lost = FaultView("7", "mount", "gone", ReconnectArgs(device="mount"), ("slew",), held=True)
    failed = FaultView("8", "mount", "not parked", blocks=("secure",), again_at_s=SOON)
    rain = world(
        safety=Safety(False, "rain"), pointing=Pointing(parked=False), faults=(lost, failed)
    )
    assert decide(rain).duty == "reconnect"


def test_what_failed_to_make_the_rig_safe_is_remedied_before_it_is_tried_again() -> None:
    restart = RestartDriverArgs(device="roof")
    failed = FaultView("8", "roof", "not closed", restart, ("secure",), again_at_s=T0)
    rain = world(safety=Safety(False, "rain"), pointing=Pointing(parked=True), faults=(failed,))
    remedy = decide(rain)
    assert (remedy.duty, remedy.rule) == ("restart_driver", "faults")
    assert decide(replace(rain, faults=(replace(failed, remedy=None, blocks=()),))).duty == "secure"


def test_a_remedy_for_what_parks_or_closes_is_not_broken_off_to_try_in_vain() -> None:
    lost = FaultView("7", "roof", "gone", RestartDriverArgs(device="roof"), ("open",))
    failed = FaultView("8", "roof", "not closed", blocks=("secure",), again_at_s=T0)
    rain = world(
        safety=Safety(False, "rain"), pointing=Pointing(parked=True), faults=(lost, failed)
    )
    at_the_roof = Decision(
        "restart_driver", "faults", "gone", RestartDriverArgs(device="roof"), "7"
    )
    assert preempt(rain, at_the_roof) is None
    for urgent in (
        preempt(rain, replace(at_the_roof, args=RestartDriverArgs(device="camera"))),
        preempt(replace(rain, faults=(lost,)), at_the_roof),
    ):
        assert urgent is not None
        assert urgent.duty == "secure"


def test_an_exposure_is_given_up_only_for_what_spoils_it() -> None:
    running = decide(world())
    spoils = FaultView("7", "camera", "gone", stops=("expose",), held=True)
    beside = FaultView("8", "guider", "gone", blocks=("guide",), held=True)
    assert preempt(world(faults=(beside,)), running) is None
    given_up = preempt(world(faults=(beside, spoils)), running)
    assert given_up is not None
    assert given_up.reason == "gone"


def test_the_orders_rule_what_is_done_without_guiding() -> None:
    gone = FaultView("7", "guider", "gone", blocks=("guide",), held=True)
    alone = world(ready=replace(ALL_READY, guiding=False), faults=(gone,))
    assert decide(replace(alone, unguided=Unguided("go_on", 60.0))).duty == "expose"
    rest = decide(replace(alone, unguided=Unguided("rest", again_at_s=SOON)))
    assert (rest.duty, rest.until_s) == ("wait", SOON)
    assert decide(replace(alone, unguided=Unguided("close"))).duty == "close"


def test_before_dusk_the_dark_is_waited_for() -> None:
    early = decide(world(now_s=HOURS.prepare_from_s + 60.0))
    assert (early.duty, early.cause) == ("wait", "waiting_for_dark")
    ready = world(now_s=HOURS.dusk_s - 30.0)
    assert (decide(ready).duty, decide(ready).cause) == ("wait", "waiting_for_dark")


@pytest.mark.parametrize(
    ("shut", "says"),
    [
        (True, "the rig is parked and closed, but not all is at rest"),
        (False, "the rig could not be closed"),
    ],
)
def test_the_end_says_what_was_left_and_not_more(shut: bool, says: str) -> None:
    """A camera that is still cold is no open roof."""
    warm = FaultView("1", "camera", "warming: the sensor is at -9.8 degC", blocks=("close",),
                     given_up=True)  # fmt: skip
    ready = replace(ALL_READY, roof_open=not shut, roof_closed=shut)
    over = world(now_s=HOURS.dawn_s + 60.0, pointing=Pointing(parked=True), ready=ready,
                 faults=(warm,))  # fmt: skip
    decision = decide(over)
    assert decision.duty == "finish"
    assert decision.reason.startswith(says)
    assert "warming: the sensor is at -9.8 degC" in decision.reason
