"""Orders by hand: pause, resume, skip, close and new orders, at any instant of a night."""

from __future__ import annotations

import asyncio
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from midwatch.journal.facts import (
    DutyBegan,
    DutyEnded,
    FrameBegun,
    FrameFiled,
    FrameLost,
    FrameRead,
    HostAccount,
    NightBegan,
    NightEnded,
    Notice,
    OperatorSpoke,
    OrdersChanged,
)
from midwatch.orders.injected import ScheduledFault
from support.by_hand import (
    EVENING,
    FIRST_LIGHT_S,
    ORDERS,
    ROOFED,
    Hand,
    at_rest,
    check_by_hand,
    documents,
    kept,
    lights,
    night,
    orders_of,
    text_of,
    write,
)
from support.grids import WHOLE
from support.interface_bench import SITE


def test_new_orders_hold_and_what_was_taken_counts_whatever_its_place(tmp_path: Path) -> None:
    """The frame orders of a target change places, one grows, and a target comes in."""
    new = orders_of()
    new["targets"][0]["frames"] = [
        {"exposure_s": 60, "count": 1}, {"exposure_s": 30, "count": 2},
        {"exposure_s": 120, "count": 5},
    ]  # fmt: skip
    new["targets"].append({"name": "M 81", "priority": 3,
                           "frames": [{"exposure_s": 60, "count": 2}]})  # fmt: skip

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 200.0)  # the second frame of 120 s is in hand
        answer = await hand.change(documents(new), "more of it")
        assert answer == {"added": ["M 81"], "removed": [], "changed": ["IC 405"],
                          "not_tonight": {}}  # fmt: skip

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    (changed,) = seen.facts(OrdersChanged)
    assert (changed.who, changed.why) == ("ann", "more of it")
    taken = Counter((b.target, b.exposure_s) for b in seen.facts(FrameBegun) if b.frame == "light")
    # Two of 120 s were taken before: three more, whatever number the order has now.
    assert taken == {("IC 405", 120.0): 5, ("IC 405", 60.0): 1, ("IC 405", 30.0): 2,
                     ("M 101", 120.0): 3, ("M 81", 60.0): 2}  # fmt: skip
    # The frame in hand was not disturbed, and the duty went on.
    assert not seen.facts(FrameLost)
    by_name = {t.name: t for t in seen.outcome.summary.targets}
    orders = [(o.exposure_s, o.wanted, o.accepted) for o in by_name["IC 405"].orders]
    assert orders == [(60.0, 1, 1), (30.0, 2, 2), (120.0, 5, 5)]
    kept(seen)
    at_rest(seen)


def test_a_target_taken_out_ends_at_once_and_the_next_one_begins(tmp_path: Path) -> None:
    new = orders_of(targets=ORDERS["targets"][1:])

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 200.0)
        assert (await hand.change(documents(new)) or {})["removed"] == ["IC 405"]

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    (lost,) = seen.facts(FrameLost)
    after = FIRST_LIGHT_S + 200.0
    duties = [(e.at_utc_s, e.fact) for e in seen.events if isinstance(e.fact, DutyBegan)]
    first = next(duty for at, duty in duties if at >= after)
    assert (first.duty, first.args["target"]) == ("slew", "M 101")
    ended = next(e for e in seen.events if isinstance(e.fact, DutyEnded) and e.at_utc_s >= after)
    assert ended.at_utc_s < after + 10.0
    assert ended.fact.outcome == "cancelled"
    assert ended.fact.reason == "IC 405 was taken out of the orders"
    assert lights(seen, "IC 405") == 1
    assert lights(seen, "M 101") == 3
    by_name = {t.name: t for t in seen.outcome.summary.targets}
    assert (by_name["IC 405"].accepted, by_name["IC 405"].note) == (
        1, "taken out of the orders during the night"
    )  # fmt: skip
    assert lost.exposure_id
    kept(seen)
    at_rest(seen)


MISTAKES = orders_of(targts=[])
MISTAKES["targets"][0]["frames"][0]["exposure_s"] = -60
TURNED = ROOFED.replace("focal_length_mm: 420", "focal_length_mm: 600")
BAD = {
    "mistakes": (documents(MISTAKES), ["orders.yaml:", "targts", "exposure_s", "-60"]),
    "rig": (documents(ORDERS, rig=TURNED), ["rig: the rig stays as it is"]),
    "site": (documents(ORDERS, site=SITE.replace("46.2", "41.0")), ["site: the site stays"]),
    "evening": (documents(orders_of(evening="2027-03-11")), ["evening:"]),
    "hours": (documents(orders_of(sun_below_deg=12)), ["sun_below_deg: 18 stays"]),
    "nothing": (
        documents(orders_of(targets=[{"name": "x", "ra": 90.0, "dec": -80.0,
                                      "frames": [{"exposure_s": 9, "count": 1}]}])),
        ["nothing can be imaged"],
    ),
    "path": (documents(ORDERS).model_copy(update={"files": {"orders.yaml": "", "../x": ""}}),
             ["'../x' is no path"]),
    "missing": (documents(orders_of(site="elsewhere.yaml")), ["elsewhere.yaml"]),
    "no yaml": (documents(ORDERS).model_copy(update={"files": {"orders.yaml": "a: [b"}}),
                ["orders.yaml:1", "not closed"]),
}  # fmt: skip


def test_a_frame_that_waits_for_room_is_filed_though_its_target_was_taken_out(
    tmp_path: Path,
) -> None:
    new = orders_of(targets=ORDERS["targets"][1:])
    full = ScheduledFault(FIRST_LIGHT_S + 60.0, FIRST_LIGHT_S + 900.0, "disk-full")

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 300.0)
        assert (await hand.change(documents(new)) or {})["removed"] == ["IC 405"]

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act, faults=(full,))
    (waited,) = [f for f in seen.facts(FrameBegun) if f.target == "IC 405"]
    assert waited.exposure_id in {f.exposure_id for f in seen.facts(FrameFiled)}
    assert seen.outcome.summary.ended is not None
    at_rest(seen)
    kept(seen)


def test_bad_orders_are_refused_with_every_problem_and_change_nothing(tmp_path: Path) -> None:
    answers: dict[str, str] = {}

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 50.0)
        for name, (bad, _) in BAD.items():
            assert await hand.change(bad, name) is None
            answers[name] = hand.said[-1]

    path = write(tmp_path / "orders")
    seen = night(tmp_path / "night", path, act)
    for name, (_, words) in BAD.items():
        for word in words:
            assert word in answers[name], name
        assert str(tmp_path) not in answers[name]
        assert "midwatch-orders-" not in answers[name]
    refused = [n.message for n in seen.facts(Notice) if "cannot hold" in n.message]
    assert len(refused) == len(BAD)
    assert all(message.startswith("ann gave orders") for message in refused)
    assert not seen.facts(OrdersChanged)
    calm = night(tmp_path / "calm", path)
    # Beside the refusals, and their number, nothing differs.
    beside = (Notice, HostAccount)
    happened = [
        [(e.at_utc_s, e.fact) for e in one.events if not isinstance(e.fact, beside)]
        for one in (seen, calm)
    ]
    assert happened[0] == happened[1]


def test_changed_orders_hold_after_a_crash_unless_others_are_given(tmp_path: Path) -> None:
    new = orders_of(targets=ORDERS["targets"][1:])

    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 200.0)
        await hand.change(documents(new))

    path = write(tmp_path / "orders")
    at = FIRST_LIGHT_S + 300.0
    killed = (ScheduledFault(at, at + 60.0, "daemon-killed"),)
    seen = night(tmp_path / "night", path, act, faults=killed)
    first, second = seen.facts(NightBegan)
    assert first.orders_sha256 != second.orders_sha256
    assert second.orders_sha256 == seen.facts(OrdersChanged)[0].orders_sha256
    assert (lights(seen, "IC 405"), lights(seen, "M 101")) == (1, 3)
    kept(seen)
    at_rest(seen)


def test_close_wins_whatever_comes_with_it_in_one_breath(tmp_path: Path) -> None:
    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 50.0)
        words = ("resume", "pause", "close", "skip", "resume")
        await asyncio.gather(*(hand.order(word, why="at once") for word in words))

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    assert Counter(s.command for s in seen.facts(OperatorSpoke)) == {
        "resume": 2, "pause": 1, "close": 1, "skip": 1
    }  # fmt: skip
    assert seen.facts(NightEnded)[-1]
    assert seen.events[-1].at_utc_s < FIRST_LIGHT_S + 1500.0
    assert lights(seen, "M 101") == 0
    kept(seen)
    at_rest(seen)


@pytest.mark.parametrize("fault", ["bad-orders", "conflicting-commands", "target-removed"])
def test_a_rehearsed_person_does_what_the_fault_says(tmp_path: Path, fault: str) -> None:
    at = FIRST_LIGHT_S + 200.0
    seen = night(
        tmp_path / "night", write(tmp_path / "orders"), faults=(ScheduledFault(at, at, fault),)
    )
    if fault == "bad-orders":
        (notice,) = (n.message for n in seen.facts(Notice) if "cannot hold" in n.message)
        assert "rehearsed person" in notice
        assert "targts" in notice
        assert "-60" in notice
        assert (lights(seen, "IC 405"), lights(seen, "M 101")) == (7, 3)
    elif fault == "conflicting-commands":
        assert seen.events[-1].at_utc_s < at + 1500.0
        assert {s.who for s in seen.facts(OperatorSpoke)} == {"rehearsed person"}
    else:
        (changed,) = seen.facts(OrdersChanged)
        assert changed.removed == ("IC 405",)
        assert (lights(seen, "IC 405"), lights(seen, "M 101")) == (1, 3)
    kept(seen)
    at_rest(seen)


COMMANDS = st.sampled_from(["pause", "resume", "skip", "close", "change"])
# From connecting (an hour and a half before the first light) to the end of an undisturbed night.
INSTANTS = st.one_of(
    st.floats(-5000.0, 1300.0),
    st.sampled_from([-405.0, -370.0, -350.0, -300.0, -200.0, 10.0, 122.0, 255.0, 750.0, 790.0,
                     840.0, 1218.0, 1225.0, 1260.0, 1280.0]),
)  # fmt: skip


def test_frame_in_hand_is_finished_by_a_pause(tmp_path: Path) -> None:
    async def act(hand: Hand) -> None:
        await hand.until(FIRST_LIGHT_S + 30.0)
        await hand.order("pause", why="a look")
        await hand.until(FIRST_LIGHT_S + 900.0)
        await hand.order("resume")

    seen = night(tmp_path / "night", write(tmp_path / "orders"), act)
    begun = [e.at_utc_s for e in seen.events
             if isinstance(e.fact, FrameBegun) and e.fact.frame == "light"]  # fmt: skip
    assert begun[0] == pytest.approx(FIRST_LIGHT_S, abs=1.0)
    assert begun[1] >= FIRST_LIGHT_S + 900.0
    assert len(seen.facts(FrameRead)) == len(seen.facts(FrameBegun))
    assert seen.outcome.summary.ledger["paused"] == pytest.approx(900 - 122, abs=3)
    kept(seen)
    at_rest(seen)


@settings(
    max_examples=12 if WHOLE else 6, derandomize=True, database=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
@given(st.lists(st.tuples(INSTANTS, COMMANDS), min_size=1, max_size=4))
def test_orders_by_hand_at_any_instant_leave_a_sound_night(
    tmp_path_factory: pytest.TempPathFactory, given_at: list[tuple[float, str]]
) -> None:
    check_by_hand(tmp_path_factory.mktemp("any"), given_at)


assert EVENING.isoformat() in text_of(ORDERS)
