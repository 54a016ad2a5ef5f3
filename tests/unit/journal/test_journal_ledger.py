from typing import get_args

from hypothesis import given
from hypothesis import strategies as st

from midwatch.journal.facts import night_facts as e
from midwatch.journal.record import LABELS, account
from midwatch.journal.record.ledger import CAUSES
from support.journal_story import as_events, began, story_night

BEGAN = began(100.0, 200.0)
RESTART = BEGAN.model_copy(update={"resumed": True})
ENDED = e.NightEnded(how="dawn", parked=True, warm=True, closed=True)


def act(cause: str, detail: str | None = None) -> e.Activity:
    return e.Activity(cause=cause, detail=detail)


def seconds(*seen: tuple[float, e.Fact], running: bool = False) -> dict[str, int]:
    return account(as_events(*seen), 100.0, 200.0, running=running).seconds


def test_every_cause_has_words():
    assert set(LABELS) == set(CAUSES) == set(get_args(e.Cause))


def test_a_night_without_events_was_not_started():
    assert seconds() == {"not_started": 100}


def test_a_plain_night():
    seen = (
        (110.0, BEGAN),
        (115.4, act("slewing")),
        (120.5, act("open_shutter")),
        (180.0, ENDED),
    )
    assert seconds(*seen) == {
        "open_shutter": 60, "slewing": 5, "preparing": 5, "not_started": 10, "finished": 20,
    }  # fmt: skip


def test_what_began_before_dusk_holds_at_dusk():
    assert seconds((10.0, BEGAN), (20.0, act("waiting_for_target")), (250.0, ENDED)) == {
        "waiting_for_target": 100
    }


def test_a_dead_daemon_is_charged_from_its_last_sign():
    seen = (
        (90.0, BEGAN),
        (100.0, act("open_shutter")),
        (130.0, e.Notice(message="last sign")),
        (170.0, RESTART),
        (175.0, act("open_shutter")),
        (200.0, ENDED),
    )
    assert seconds(*seen) == {"open_shutter": 55, "daemon_down": 40, "preparing": 5}


def test_an_exposure_runs_on_without_its_daemon_if_its_frame_was_fetched_later():
    begun = e.FrameBegun(
        exposure_id="x-1", frame="light", target="M 101", order_index=0, filter=None,
        exposure_s=30.0, gain=0, offset=0, binning=1,
    )  # fmt: skip
    read = e.FrameRead(exposure_id="x-1", sha256="0" * 64, began_utc_s=121.0, exposure_s=30.0)
    seen = [(90.0, BEGAN), (120.0, begun), (120.0, act("open_shutter")), (190.0, RESTART)]
    fetched = [(195.0, read), (200.0, ENDED)]
    lost = [(195.0, e.FrameLost(exposure_id="x-1", reason="gone")), (200.0, ENDED)]
    assert seconds(*seen, *fetched) == {"open_shutter": 31, "daemon_down": 39, "preparing": 30}
    assert seconds(*seen, *lost) == {"daemon_down": 70, "preparing": 30}
    # A daemon that is back before the shutter closes is not charged, nor is what it does meanwhile.
    soon = [*seen[:3], (140.0, RESTART), (145.0, act("paused")), *fetched]
    assert seconds(*soon) == {"open_shutter": 31, "preparing": 20, "paused": 49}


def test_an_exposure_that_was_given_up_but_ran_on_is_of_open_shutter():
    begun = e.FrameBegun(
        exposure_id="x-1", frame="light", target="M 101", order_index=0, filter=None,
        exposure_s=30.0, gain=0, offset=0, binning=1,
    )  # fmt: skip
    seen = [(90.0, BEGAN), (120.0, begun), (120.0, act("open_shutter")), (130.0, act("closing")),
            (135.0, act("unsafe"))]  # fmt: skip

    def read(began_utc_s: float) -> tuple[float, e.Fact]:
        return 190.0, e.FrameRead(
            exposure_id="x-1", sha256="0" * 64, began_utc_s=began_utc_s, exposure_s=30.0
        )

    ended = (200.0, ENDED)
    without = {"open_shutter": 10, "closing": 5, "unsafe": 65, "preparing": 20}
    assert seconds(*seen, ended) == without
    assert seconds(*seen, read(121.0), ended) == {
        "open_shutter": 31, "unsafe": 49, "preparing": 20
    }  # fmt: skip
    # By a clock that is off it would have begun only after it was given up.
    assert seconds(*seen, read(3721.0), ended) == without


def test_a_night_that_never_ended_was_down_after_its_last_event():
    seen = ((90.0, BEGAN), (100.0, act("open_shutter")), (150.0, e.Notice(message="")))
    assert seconds(*seen) == {"open_shutter": 50, "daemon_down": 50}
    assert seconds(*seen, running=True) == {"open_shutter": 100}


def test_a_night_taken_up_again_after_its_end_was_not_down_between():
    seen = ((90.0, BEGAN), (120.0, ENDED), (150.0, RESTART), (160.0, act("paused")), (200.0, ENDED))
    assert seconds(*seen) == {"preparing": 30, "finished": 30, "paused": 40}


def test_a_clock_set_back_counts_as_standing():
    seen = ((90.0, BEGAN), (150.0, act("focusing")), (120.0, act("slewing")), (170.0, ENDED))
    assert seconds(*seen) == {"preparing": 50, "slewing": 20, "finished": 30}


def test_spans_of_one_cause_and_detail_are_merged():
    seen = (
        (100.0, BEGAN),
        (100.0, act("clouds", "82 %")),
        (130.0, act("clouds", "82 %")),
        (140.0, act("clouds", "90 %")),
        (200.0, ENDED),
    )
    spans = account(as_events(*seen), 100.0, 200.0).spans
    assert [(s.start_utc_s, s.end_utc_s, s.detail) for s in spans] == [
        (100, 140, "82 %"),
        (140, 200, "90 %"),
    ]


def test_a_night_without_darkness_has_no_seconds():
    ledger = account(as_events((5.0, BEGAN)), 200.0, 100.0)
    assert (ledger.seconds, ledger.spans) == ({}, ())


FACTS = st.one_of(
    st.sampled_from(["open_shutter", "slewing", "unsafe", "deciding"]).map(act),
    st.sampled_from([BEGAN, RESTART, ENDED, e.Notice(message="")]),
)


def second_by_second(seen: list[tuple[float, e.Fact]], dusk: int, dawn: int) -> list[str]:
    """The rules of the ledger, told the slow way: a cause for each second, overwritten onwards."""
    causes = ["not_started"] * (dawn - dusk)
    alive = ended = False
    last = dusk
    for at_utc_s, fact in seen:
        at = max(last, min(dawn, round(at_utc_s)))
        if isinstance(fact, e.NightBegan):
            if alive:
                causes[last - dusk :] = ["daemon_down"] * (dawn - last)
            causes[at - dusk :] = ["preparing"] * (dawn - at)
            alive, ended = True, False
        elif isinstance(fact, e.Activity) and not ended:
            causes[at - dusk :] = [fact.cause] * (dawn - at)
            alive = True
        elif isinstance(fact, e.NightEnded):
            causes[at - dusk :] = ["finished"] * (dawn - at)
            alive, ended = False, True
        last = at
    if alive:
        causes[last - dusk :] = ["daemon_down"] * (dawn - last)
    return causes


@given(
    st.lists(st.tuples(st.floats(-50, 250), FACTS), max_size=25),
    st.integers(-20, 60),
    st.integers(0, 160),
)
def test_any_events_give_each_second_exactly_one_cause(seen, dusk, length):
    dawn = dusk + length
    ledger = account(as_events(*seen), float(dusk), float(dawn))
    assert sum(ledger.seconds.values()) == length
    spread = [span.cause for span in ledger.spans for _ in range(span.duration_s)]
    assert spread == second_by_second(seen, dusk, dawn)
    edges = [dusk, *(span.end_utc_s for span in ledger.spans)]
    assert [span.start_utc_s for span in ledger.spans] == edges[:-1]


def test_the_reported_night_is_accounted():
    night = story_night()
    took_up = night.events[0].fact
    ledger = account(night.events, took_up.dusk_utc_s, took_up.dawn_utc_s)
    assert sum(ledger.seconds.values()) == took_up.dawn_utc_s - took_up.dusk_utc_s
    assert ledger.of("clouds") == 1500
    assert ledger.of("daemon_down") == 95
    exposed = [
        fact.exposure_s
        for event in night.events
        if isinstance(fact := event.fact, e.FrameBegun) and fact.frame == "light"
    ]
    assert abs(ledger.of("open_shutter") - sum(exposed)) <= len(exposed)


def spoke(command: str, who: str = "ann@hut") -> e.OperatorSpoke:
    return e.OperatorSpoke(command=command, who=who, why=None, target=None)


def test_a_night_closed_by_hand_is_not_booked_as_finished():
    seen = ((100.0, BEGAN), (110.0, act("open_shutter")), (150.0, spoke("close")),
            (150.0, act("closing")), (160.0, ENDED))  # fmt: skip
    assert seconds(*seen) == {
        "open_shutter": 40, "preparing": 10, "closing": 10, "closed_by_hand": 40,
    }  # fmt: skip
    assert seconds(*((at, spoke("close", "midwatch") if f.kind == "operator" else f)
                     for at, f in seen))["finished"] == 40  # fmt: skip


def test_what_was_closed_by_hand_and_taken_up_again_may_finish():
    seen = ((100.0, BEGAN), (110.0, spoke("close")), (120.0, ENDED), (150.0, RESTART),
            (160.0, ENDED))  # fmt: skip
    assert seconds(*seen) == {"preparing": 30, "closed_by_hand": 30, "finished": 40}
