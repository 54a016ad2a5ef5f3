import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midwatch.journal.facts import night_facts as e
from midwatch.learning import FRAME_OVERHEAD, LearnedDurations
from support.journal_story import as_events, began


def ended(took_s: float, outcome: str = "done", duty: str = "slew") -> e.DutyEnded:
    return e.DutyEnded(duty=duty, outcome=outcome, took_s=took_s)


def learn(*facts: e.Fact, **defaults: float) -> LearnedDurations:
    events = as_events(*((float(n), fact) for n, fact in enumerate(facts)))
    return LearnedDurations.from_events(events, defaults)


def test_without_experience_the_default_holds():
    assert learn(slew=60.0).cautious_s("slew") == 60.0
    assert learn().cautious_s("slew", 45.0) == 45.0


def test_the_default_keeps_a_say_until_there_is_enough():
    assert learn(ended(20.0), ended(20.0), slew=60.0).cautious_s("slew") > 20.0
    assert learn(*[ended(20.0)] * 3, slew=60.0).cautious_s("slew") == 20.0


def test_failed_and_cancelled_duties_teach_nothing():
    learned = learn(*[ended(20.0)] * 3, ended(500.0, "failed"), ended(1.0, "cancelled"))
    assert learned.cautious_s("slew") == 20.0


def test_old_habits_are_forgotten():
    learned = learn(*[ended(100.0)] * 100, *[ended(10.0)] * 60)
    assert learned.cautious_s("slew") == 10.0


@given(st.lists(st.floats(0, 1e4), min_size=3, max_size=60))
def test_quantiles_are_those_of_numpy(took):
    learned = learn(*map(ended, took))
    assert learned.cautious_s("slew") == pytest.approx(np.quantile(took, 0.9))


def test_one_more_duration_is_as_if_it_had_been_read():
    assert learn(ended(1.0)).with_duration("slew", 3.0) == learn(ended(1.0), ended(3.0))


def test_what_a_frame_takes_next_to_its_exposure():
    begun = e.FrameBegun(
        exposure_id="x", frame="light", target=None, order_index=None, filter=None,
        exposure_s=60.0, gain=0, offset=0, binning=1,
    )  # fmt: skip
    read = e.FrameRead(exposure_id="x", sha256="0", began_utc_s=10.2, exposure_s=60.0)
    learned = LearnedDurations.from_events(as_events((10.0, begun), (73.5, read)))
    assert learned.observed[FRAME_OVERHEAD] == (3.5,)
    # Fetched by another daemon an hour later: the frame waited, nothing took that long.
    taken_up = (3600.0, began(0.0, 9000.0)), (3610.0, read)
    waited = LearnedDurations.from_events(as_events((10.0, begun), *taken_up))
    assert FRAME_OVERHEAD not in waited.observed
