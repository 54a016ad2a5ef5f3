from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import NightRecord, counted_s, lights_so_far
from support.journal_story import TARGETS, as_events, began, story_night


def begun(number: int, target: str = "M 3", index: int = 0, frame: str = "light") -> e.FrameBegun:
    return e.FrameBegun(
        exposure_id=f"x{number}",
        frame=frame,
        target=target,
        order_index=index,
        filter="L",
        exposure_s=60.0,
        gain=0,
        offset=0,
        binning=1,
    )


def read(number: int) -> e.FrameRead:
    return e.FrameRead(exposure_id=f"x{number}", sha256="0", began_utc_s=5.5, exposure_s=60.25)


def filed(number: int) -> e.FrameFiled:
    return e.FrameFiled(exposure_id=f"x{number}", path=f"x{number}", file_sha256="0", bytes=9)


def graded(number: int, grade: str = "accepted") -> e.FrameGraded:
    return e.FrameGraded(exposure_id=f"x{number}", grade=grade)


def lost(number: int) -> e.FrameLost:
    return e.FrameLost(exposure_id=f"x{number}", reason="cancelled")


def focus(*, ok: bool, position: int = 100) -> e.FocusRun:
    return e.FocusRun(
        positions=(1, 2),
        hfr_px=(2.0, 2.1),
        filter="L",
        temperature_c=3.5,
        ok=ok,
        reason="",
        trigger="",
        best_position=position,
        uncertainty_steps=None,
        best_hfr_px=2.0,
    )


def fold(*facts: e.Fact) -> NightRecord:
    return NightRecord.from_events(as_events(*((float(n), fact) for n, fact in enumerate(facts))))


def test_a_frame_passes_through_its_states():
    facts = [begun(1), read(1), filed(1), graded(1)]
    states = [fold(*facts[: n + 1]).frames["x1"].state for n in range(4)]
    assert states == ["begun", "read", "filed", "graded"]
    frame = fold(*facts).frames["x1"]
    assert (frame.began_utc_s, frame.exposure_s, frame.ended_utc_s) == (5.5, 60.25, 65.75)
    assert fold(begun(1)).frames["x1"].ended_utc_s == 60.0
    assert fold(begun(1), lost(1)).frames["x1"].state == "lost"


def test_frames_that_were_read_and_not_filed_are_found_after_a_crash():
    record = fold(begun(1), read(1), filed(1), begun(2), read(2), begun(3), lost(3), begun(4))
    assert [frame.exposure_id for frame in record.unfiled()] == ["x2", "x4"]


def test_a_verdict_may_be_revised():
    record = fold(begun(1), read(1), filed(1), graded(1), graded(1, "rejected"))
    assert record.accepted("M 3", 0) == 0
    assert fold(begun(1), graded(1, "rejected"), graded(1)).accepted("M 3", 0) == 1


def test_darks_count_for_no_order():
    record = fold(begun(1, frame="dark"), read(1), graded(1))
    assert (record.accepted("M 3", 0), record.lights_since_dither) == (0, 0)


def test_an_exposure_that_was_never_begun_here_is_passed_over():
    assert fold(read(7), graded(7)).frames == {}


@given(
    st.lists(
        st.builds(
            lambda make, number: make(number),
            st.sampled_from(
                [begun, read, filed, graded, lost, lambda n: graded(n, "rejected"),
                 lambda n: begun(n, "M 33", n % 2)]
            ),
            st.integers(0, 4),
        ),
        max_size=40,
    )
)  # fmt: skip
def test_counts_equal_a_recount_whatever_the_order_of_facts(facts):
    record = fold(*facts)
    lights = [frame for frame in record.frames.values() if frame.order_key is not None]
    accepted = Counter(frame.order_key for frame in lights if frame.accepted)
    pending = Counter(frame.order_key for frame in lights if frame.pending)
    for key in [("M 3", 0), ("M 33", 0), ("M 33", 1)]:
        assert (record.accepted(*key), record.pending(*key)) == (accepted[key], pending[key])


def centred(target: str = "M 3", *, ok: bool = True) -> e.Centred:
    return e.Centred(
        target=target, ok=ok, attempts=1, error_arcsec=1, rotation_deg=0, scale_arcsec=2
    )


FLIP = e.Flipped(target="M 3", ok=True, hour_angle_deg=1.0, from_side="west", to_side="east")
RESTART = began(0.0, 100.0).model_copy(update={"resumed": True})


def rested(what: str) -> e.MotionEnded:
    return e.MotionEnded(
        what=what, alt_deg=40, horizon_deg=10, hour_angle_deg=0, pier_side="west",
        sun_distance_deg=None, within_limits=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("then", "still", "guiding"),
    [
        ([], "M 3", True),
        ([e.DutyBegan(duty="focus", args={})], "M 3", True),
        ([e.DutyBegan(duty="slew", args={})], None, False),
        ([rested("park")], None, False),
        ([rested("tracking")], None, False),
        ([rested("centring on M 3")], "M 3", True),
        ([FLIP], None, False),
        ([FLIP, centred()], "M 3", False),
        ([centred("M 33", ok=False)], None, True),
        ([RESTART], None, False),
    ],
)
def test_what_the_telescope_is_centred_on_and_whether_it_is_guided(then, still, guiding):
    guide = e.GuidingStarted(ok=True, rms_arcsec=0.7)
    record = fold(began(0.0, 100.0), centred(), guide, *then)
    assert (record.centred_target, record.guiding) == (still, guiding)


def test_lights_since_the_last_dither():
    two = [begun(1), read(1), begun(2), read(2)]
    dither = e.Dithered(east_arcsec=1, north_arcsec=1, settle_s=1)
    assert fold(*two).lights_since_dither == 2
    assert fold(*two, dither).lights_since_dither == 0
    assert fold(*two, FLIP).lights_since_dither == 0
    assert fold(*two, begun(3, "M 33"), read(3)).lights_since_dither == 1


def test_focus_remembers_the_last_good_run():
    record = fold(focus(ok=True, position=5), focus(ok=False), focus(ok=False, position=9))
    assert (record.focus.at_utc_s, record.focus.run.best_position) == (0.0, 5)
    assert record.last_focus_run.run.best_position == 9


def test_faults_keep_their_remedies():
    fault = e.FaultBegan(fault_id="f", device="mount", fault="silent", message="")
    tries = [
        e.RemedyTried(fault_id="f", remedy=remedy, attempt=n, outcome="failed")
        for n, remedy in enumerate(("reconnect", "reconnect", "restart"), start=1)
    ]
    record = fold(fault, *tries)
    (open_fault,) = record.open_faults()
    assert (open_fault.tries("reconnect"), open_fault.tries("restart")) == (2, 1)
    assert open_fault.last_tried_utc_s == 3.0
    record = fold(fault, *tries, e.FaultEnded(fault_id="f", how="gone"))
    assert record.open_faults() == []
    assert [fault.ended_at_utc_s for fault in record.faults.values()] == [4.0]


def said(command: str, target: str | None = None) -> e.OperatorSpoke:
    return e.OperatorSpoke(command=command, who="owner", why=None, target=target)


def test_what_the_operator_wants():
    assert fold(said("pause")).paused
    assert not fold(said("pause"), said("resume")).paused
    assert fold(said("close")).closing
    assert fold(said("skip", "M 33"), said("skip", "M 33")).skipped == ["M 33"]
    assert fold(centred(), said("skip")).skipped == ["M 3"]
    assert fold(said("skip")).skipped == []


def test_after_a_restart_nothing_is_being_done():
    duty = e.DutyBegan(duty="flip", args={"target": "M 3"})
    record = fold(began(0.0, 100.0), duty)
    assert record.duty == (1.0, duty)
    record = fold(began(0.0, 100.0), duty, RESTART)
    assert (record.duty, record.resumed) == (None, 1)
    ended = e.DutyEnded(duty="flip", outcome="done", took_s=9.0)
    record = fold(began(0.0, 100.0), duty, ended, RESTART)
    assert (record.duty, record.durations) == (None, {"flip": [9.0]})


def test_the_whole_night_adds_up():
    record = NightRecord.from_events(story_night().events)
    lights = [frame for frame in record.frames.values() if frame.is_light]
    assert sum(record.accepted(t, i) for t in TARGETS for i in range(4)) == len(lights) - 2
    assert all(record.pending(t, i) == 0 for t in TARGETS for i in range(4))
    assert record.unfiled() == []
    assert record.ended.parked
    assert record.last_flip[1].to_side == "east"
    assert record.resumed == 1


def planned(target: str, *wanted: tuple[str | None, float, int]) -> e.TargetPlanned:
    return e.TargetPlanned(target=target, ra_deg=0.0, dec_deg=0.0, priority=1, wanted=wanted,
                           windows_utc_s=(), transit_utc_s=None)  # fmt: skip


def taken(number: int, target: str = "M 3", exposure_s: float = 60.0) -> list[e.Fact]:
    shot = begun(number, target).model_copy(update={"exposure_s": exposure_s})
    return [shot, read(number).model_copy(update={"exposure_s": exposure_s}), graded(number)]


def test_shorter_frames_count_in_part() -> None:
    """Unguided, an order of 300 s is served by five times as many frames of 60 s."""
    shots = [fact for number in range(147) for fact in taken(number)]
    record = fold(planned("M 3", ("L", 300.0, 40)), *shots)
    assert lights_so_far(record) == (29, 40)
    assert counted_s(record, "M 3") == pytest.approx(147 * 60.0)


def test_no_more_counts_than_was_ordered_and_nothing_of_what_is_not_wanted_any_more() -> None:
    shots = [fact for number in range(9) for fact in taken(number)]
    others = [fact for number in range(20, 25) for fact in taken(number, "M 31")]
    plans = (planned("M 3", ("L", 60.0, 6)), planned("M 31", ("L", 60.0, 8)))
    record = fold(*plans, *shots, *others)
    assert lights_so_far(record) == (11, 14)
    assert lights_so_far(record, "M 31") == (5, 8)
    changed = e.OrdersChanged(who="ann", why=None, orders_sha256="1", began_with_sha256="0",
                              added=(), removed=("M 3",), changed=(), main="o")  # fmt: skip
    record = fold(*plans, *shots, *others, changed)
    assert lights_so_far(record) == (5, 8)
    back = changed.model_copy(update={"removed": (), "added": ("M 3",)})
    assert lights_so_far(fold(*plans, *shots, *others, changed, back)) == (11, 14)


def test_a_frame_that_was_set_apart_is_where_its_last_verdict_says() -> None:
    again = e.FrameRegraded(exposure_id="x1", grade="rejected", reasons=("cloud",),
                            before="accepted", compared=7, path="rejected/x1")  # fmt: skip
    record = fold(begun(1), read(1), filed(1), graded(1), again)
    frame = record.frames["x1"]
    assert frame.filed is not None and frame.filed.path == "rejected/x1"
    stays = fold(begun(1), read(1), filed(1), graded(1), again.model_copy(update={"path": None}))
    assert stays.frames["x1"].filed == filed(1)
