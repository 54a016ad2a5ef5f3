from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.journal.facts import FaultBegan, FaultEnded, RemedyTried
from midwatch.journal.record import FaultRecord
from midwatch.orders.models import Ladder, RemedyStep, ladder_for
from midwatch.orders.models.remedies_section import REMEDIES, SHIPPED_LADDERS
from midwatch.sequencer.faults.ladders import STAYS_AWAY_S, earlier_attempts, rung_of

LADDER = Ladder(
    fault="guide_camera.unplugged",
    steps=(
        RemedyStep(do="reconnect", times=3, pause_s=10, longest_pause_s=30),
        RemedyStep(do="power_cycle", times=1, pause_s=20),
        RemedyStep(do="reconnect", times=None, pause_s=60, longest_pause_s=300),
    ),
)


def fault(*tried: tuple[float, str], began: float = 1000.0, ended: float | None = None):
    record = FaultRecord(
        began, FaultBegan(fault_id="1", device="guide_camera", fault="unplugged", message="gone")
    )
    for at_s, remedy in tried:
        record.remedies.append(
            (at_s, RemedyTried(fault_id="1", remedy=remedy, attempt=1, outcome="failed"))
        )
    if ended is not None:
        record.ended_at_utc_s, record.ended = ended, FaultEnded(fault_id="1", how="is back")
    return record


def next_of(record: FaultRecord, **more):
    rung = rung_of(record, [LADDER], **more)
    return None if rung is None else (rung.step.do, rung.attempt, rung.due_s)


def test_the_mildest_remedy_comes_first_after_its_pause():
    assert next_of(fault()) == ("reconnect", 1, 1010.0)


def test_pauses_double_up_to_the_longest():
    assert next_of(fault((1010.0, "reconnect"))) == ("reconnect", 2, 1030.0)
    tried = [(1010.0, "reconnect"), (1030.0, "reconnect")]
    assert next_of(fault(*tried)) == ("reconnect", 3, 1060.0)


def test_the_next_step_follows_when_the_times_are_used_up():
    tried = [(1010.0, "reconnect"), (1030.0, "reconnect"), (1060.0, "reconnect")]
    assert next_of(fault(*tried)) == ("power_cycle", 1, 1080.0)
    assert next_of(fault(*tried, (1080.0, "power_cycle"))) == ("reconnect", 1, 1140.0)


def test_the_last_step_goes_on_all_night():
    tried = [(1010.0 + i, "reconnect") for i in range(3)] + [(1100.0, "power_cycle")]
    tried += [(2000.0 + 300.0 * i, "reconnect") for i in range(40)]
    last_s = tried[-1][0]
    assert next_of(fault(*tried)) == ("reconnect", 41, last_s + 300.0)


def test_what_the_rig_cannot_do_is_passed_over():
    tried = [(1010.0, "reconnect"), (1030.0, "reconnect"), (1060.0, "reconnect")]
    assert next_of(fault(*tried), possible=["reconnect"]) == ("reconnect", 1, 1120.0)
    assert next_of(fault(*tried), possible=[]) is None


def test_attempts_at_something_else_neither_count_nor_delay():
    assert next_of(fault((1005.0, "retry guide"))) == ("reconnect", 1, 1010.0)


def test_a_step_is_left_when_its_time_is_over():
    ladder = Ladder(
        fault="*.*",
        steps=(
            RemedyStep(do="retry", times=None, pause_s=10, longest_pause_s=10, within_s=35),
            RemedyStep(do="close", times=1, pause_s=0),
        ),
    )
    tried = [(1010.0 + 10.0 * i, "retry expose") for i in range(4)]
    rung = rung_of(fault(*tried), [ladder])
    assert rung is not None
    assert (rung.step.do, rung.due_s) == ("close", 1040.0)


def test_a_fault_that_comes_back_soon_goes_on_where_it_was():
    first = fault((1010.0, "reconnect"), (1030.0, "reconnect"), (1060.0, "reconnect"), ended=1061.0)
    again = fault(began=1061.0 + STAYS_AWAY_S)
    later = fault(began=1062.0 + STAYS_AWAY_S)
    assert next_of(again, before=earlier_attempts(again, [first, again]))[0] == "power_cycle"
    assert next_of(later, before=earlier_attempts(later, [first, later]))[0] == "reconnect"


def test_earlier_attempts_never_make_a_remedy_due_before_the_fault():
    first = fault((1010.0, "reconnect"), ended=1011.0)
    again = fault(began=1500.0)
    rung = rung_of(again, [LADDER], earlier_attempts(again, [first, again]))
    assert rung is not None
    assert (rung.attempt, rung.due_s) == (2, 1520.0)


def test_the_rigs_own_ladders_come_before_the_shipped_ones():
    own = Ladder(fault="camera.*", steps=(RemedyStep(do="close"),))
    assert ladder_for("camera", "no_answer", [own]) is own
    assert ladder_for("camera", "no_answer") is not own


@given(
    st.from_regex(r"[a-z_]{1,12}", fullmatch=True), st.from_regex(r"[a-z_]{1,12}", fullmatch=True)
)
def test_every_fault_has_a_ladder_whose_last_step_never_ends(device: str, kind: str):
    assert ladder_for(device, kind).steps[-1].times is None


def test_shipped_ladders_use_every_remedy_but_closing_the_night():
    used = {step.do for ladder in SHIPPED_LADDERS for step in ladder.steps}
    assert used == set(REMEDIES) - {"close", "centre"}


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"fault": "camera", "steps": [{"do": "retry"}]}, "device and fault"),
        ({"fault": "camera.x", "steps": []}, "at least 1"),
        ({"fault": "camera.x", "steps": [{"do": "pray"}]}, "retry"),
        ({"fault": "camera.x", "steps": [{"do": "retry", "outlet": "a"}]}, "power_cycle only"),
        (
            {"fault": "camera.x", "steps": [{"do": "retry", "times": None}, {"do": "close"}]},
            "never reached",
        ),
    ],
)
def test_senseless_ladders_are_refused(content, says):
    with pytest.raises(ValueError, match=says):
        Ladder.model_validate(content)
