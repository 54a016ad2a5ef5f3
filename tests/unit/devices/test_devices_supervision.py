from __future__ import annotations

from midwatch.devices.host import RestartRule, Supervision


def test_pauses_double_up_to_the_longest_while_a_driver_keeps_dying():
    watch = Supervision(RestartRule(first_pause_s=1.0, longest_pause_s=5.0, loop_after=3))
    verdicts = [watch.ended(2.0) for _ in range(5)]
    assert [v.pause_s for v in verdicts] == [1.0, 2.0, 4.0, 5.0, 5.0]
    assert [v.looping for v in verdicts] == [False, False, True, True, True]


def test_a_driver_that_ran_steadily_counts_from_the_beginning():
    watch = Supervision(RestartRule(steady_s=300.0))
    for _ in range(6):
        watch.ended(1.0)
    again = watch.ended(301.0)
    assert (again.in_a_row, again.looping) == (1, False)


def test_a_process_that_has_grown_too_large_is_noticed():
    watch = Supervision(RestartRule(memory_mb=800.0))
    assert not watch.too_large(799.0)
    assert watch.too_large(801.0)
