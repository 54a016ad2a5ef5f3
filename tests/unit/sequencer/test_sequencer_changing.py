"""New orders in the middle of a night, beside the night: reading, judging, comparing, counting."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midwatch.journal.facts import FrameBegun, FrameGraded, FrameSlot, NightBegan, OrdersChanged
from midwatch.journal.record import NightRecord
from midwatch.journal.store import Event
from midwatch.orders.reading import Night
from midwatch.planning import NightPlan, plan_night
from midwatch.runtime.files import load_orders
from midwatch.sequencer.night import Change, OrdersRefusedError, orders_found, prepare
from support.by_hand import EVENING, ORDERS, documents, documents_of, text_of, write
from support.interface_bench import midwatch


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> tuple[Night, NightPlan]:
    night = load_orders(write(tmp_path_factory.mktemp("base")))
    return night, plan_night(night, EVENING)


def changed(base: tuple[Night, NightPlan], **changes: object) -> Change:
    night, plan = base
    new = copy.deepcopy(ORDERS)
    new.update(changes)
    return prepare(documents(new), night, night, plan, load_orders, ("ann", "why not"))


def test_the_files_of_a_night_are_the_same_night_when_they_are_read_again(
    base: tuple[Night, NightPlan],
) -> None:
    night, plan = base
    handed = documents_of(night)
    assert sorted(handed.files) == ["orders.yaml", "rig.yaml", "site.yaml"]
    again = prepare(handed, night, night, plan, load_orders, ("ann", None))
    assert (again.fact.added, again.fact.removed, again.fact.changed) == ((), (), ())
    assert again.night.orders == night.orders
    assert again.plan == plan
    assert again.fact.orders_sha256 == night.sha256["orders"]


def test_differences_are_named(base: tuple[Night, NightPlan]) -> None:
    first, second = copy.deepcopy(ORDERS["targets"])
    second["frames"][0]["count"] = 9
    third = {"name": "M 81", "frames": [{"exposure_s": 30, "count": 1, "gain": 5}]}
    change = changed(base, targets=[second, third])
    fact = change.fact
    assert (fact.added, fact.removed, fact.changed) == (("M 81",), (first["name"],), ("M 101",))
    assert fact.slots["M 81"] == (FrameSlot(None, 30.0, 5, 0, 1, 1),)
    assert [t.target.name for t in change.plan.targets] == ["M 101", "M 81"]


def test_they_are_found_again_in_the_journal_unless_others_were_given(
    base: tuple[Night, NightPlan], tmp_path: Path
) -> None:
    night, plan = base
    change = changed(base, targets=ORDERS["targets"][1:])
    events = [Event(1, 0.0, "n", change.fact, "")]
    found = orders_found(events, night, night, plan, load_orders)
    assert found is not None
    assert [t.name for t in found.night.targets] == ["M 101"]
    other = load_orders(write(tmp_path, {**ORDERS, "calibration": {"bias": 3}}))
    assert orders_found(events, other, other, plan, load_orders) is None
    assert orders_found([], night, night, plan, load_orders) is None


@pytest.mark.parametrize("name", ["/etc/passwd", "../x.yaml", "a/../../x", "x\0y", "x" * 400])
def test_no_file_is_written_outside(base: tuple[Night, NightPlan], name: str) -> None:
    night, plan = base
    files = {**documents(ORDERS).files, name: "x"}
    handed = documents(ORDERS).model_copy(update={"files": files})
    with pytest.raises(OrdersRefusedError, match="no path of a file"):
        prepare(handed, night, night, plan, load_orders, ("ann", None))


@pytest.mark.parametrize("good", [True, False])
def test_no_other_file_of_the_machine_is_shown(
    base: tuple[Night, NightPlan], tmp_path: Path, good: bool
) -> None:
    night, plan = base
    site = documents(ORDERS).files["site.yaml"]
    (tmp_path / "other.yaml").write_text(site if good else "secret: sesame\n" + site)
    handed = documents({**ORDERS, "site": str(tmp_path / "other.yaml")})
    with pytest.raises(OrdersRefusedError, match="was not given") as refused:
        prepare(handed, night, night, plan, load_orders, ("ann", None))
    assert "secret" not in str(refused.value)
    assert "sesame" not in str(refused.value)


def test_the_command_says_every_mistake_before_it_looks_for_a_night(tmp_path: Path) -> None:
    wrong = copy.deepcopy(ORDERS)
    wrong["targets"][0]["frames"][0]["exposure_s"] = -60
    wrong["targts"] = []
    path = write(tmp_path, wrong)
    said = midwatch("change", path, "--out", tmp_path / "none")
    assert said.code == 2
    assert "targts" in said.err
    assert "-60" in said.err
    path.write_text(text_of(ORDERS))
    said = midwatch("change", path, "--out", tmp_path / "none")
    assert said.code == 3
    assert "no night is running" in said.err


# What was taken still counts ---------------------------------------------------------------------

KINDS = [(None, 60.0), (None, 120.0), ("L", 60.0), ("R", 60.0)]
ORDER_LISTS = st.lists(st.tuples(st.sampled_from(KINDS), st.integers(1, 5)), min_size=1, max_size=4)
FRAMES = st.lists(st.tuples(st.sampled_from(KINDS), st.booleans()), max_size=12)


def slots(orders: list[tuple[tuple[str | None, float], int]]) -> tuple[FrameSlot, ...]:
    return tuple(FrameSlot(name, exposure_s, 0, 0, 1, n) for (name, exposure_s), n in orders)


def fact(orders: list[tuple[tuple[str | None, float], int]]) -> OrdersChanged:
    return OrdersChanged(
        who="ann", why=None, orders_sha256="1", began_with_sha256="0", added=(), removed=(),
        changed=("T",), main="o", slots={"T": slots(orders)},
    )  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(FRAMES, ORDER_LISTS, ORDER_LISTS)
def test_frames_are_counted_by_what_they_are(
    frames: list[tuple[tuple[str | None, float], bool]],
    first: list[tuple[tuple[str | None, float], int]],
    second: list[tuple[tuple[str | None, float], int]],
) -> None:
    began = NightBegan(
        night="n", site="s", rig="r", evening="e", seed=1, rehearsal=True, sky_mode=None,
        dusk_utc_s=0, dawn_utc_s=9, orders_sha256="0", version="0",
    )  # fmt: skip
    facts: list[object] = [began, fact(first)]
    for number, ((name, exposure_s), accepted) in enumerate(frames):
        facts.append(FrameBegun(exposure_id=str(number), frame="light", target="T", order_index=0,
                                filter=name, exposure_s=exposure_s, gain=0, offset=0, binning=1,
                                ))  # fmt: skip
        grade = "accepted" if accepted else "rejected"
        facts.append(FrameGraded(exposure_id=str(number), grade=grade, guided=False))  # type: ignore[arg-type]
    facts.append(fact(second))
    events = [Event(n, float(n), "n", one, "") for n, one in enumerate(facts, 1)]  # type: ignore[arg-type]
    record = NightRecord.from_events(events)
    taken = {kind: sum(k == kind and ok for k, ok in frames) for kind in KINDS}
    for kind in KINDS:
        of_kind = [(i, n) for i, (k, n) in enumerate(second) if k == kind]
        counted = [record.accepted("T", index) for index, _ in of_kind]
        # Every accepted frame counts, once, if the new orders hold any like it.
        assert sum(counted) == (taken[kind] if of_kind else 0)
        # An order is filled before the next one like it.
        for (_, wanted), count, later in zip(of_kind, counted, counted[1:], strict=False):
            assert count >= wanted or later == 0
    assert all(record.pending("T", index) == 0 for index in range(4))
