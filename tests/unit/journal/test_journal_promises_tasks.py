"""A night that had gone blind does not call kept what it could not see."""

from __future__ import annotations

import pytest

from midwatch.journal.facts import Fact, FaultBegan, FaultEnded, RemedyTried
from midwatch.journal.promises import Promise
from midwatch.journal.promises.task_checks import given_up, vouched
from midwatch.journal.store import Event

DIED = FaultBegan(fault_id="001", device="daemon", fault="task_died", message="the watch has died")
OF_A_DRIVER = FaultBegan(fault_id="001", device="mount", fault="task_died", message="a task")


def events(*facts: Fact) -> list[Event]:
    return [
        Event(seq=n, at_utc_s=100.0 * n, night="2027-03-10", fact=fact, digest="")
        for n, fact in enumerate(facts, 1)
    ]


def tried(remedy: str, outcome: str = "done") -> RemedyTried:
    return RemedyTried(
        fault_id="001", remedy=remedy, attempt=1, outcome=outcome, reason="the watch has died"
    )  # fmt: skip


def judged(*facts: Fact) -> dict[int, bool | None]:
    promises = [
        Promise(number=number, text="", ok=number != 5, detail="looked at")
        for number in range(1, 11)
    ]
    return {promise.number: promise.ok for promise in vouched(promises, events(*facts))}


@pytest.mark.parametrize("end", ["close", "leave"])
def test_what_was_seen_is_unreported_once_a_task_was_given_up(end: str) -> None:
    facts = (DIED, tried("restart_task", "failed"), tried(end))
    assert given_up(events(*facts)) == [(300.0, "the watch has died")]
    found = judged(*facts)
    assert [n for n, ok in found.items() if ok is None] == [1, 2, 3, 8, 10]
    assert [n for n, ok in found.items() if ok] == [4, 6, 7, 9]
    assert found[5] is False  # what is known to be broken stays broken


@pytest.mark.parametrize(
    "facts",
    [
        (),
        (DIED, tried("restart_task"), FaultEnded(fault_id="001", how="it runs")),
        # A night that was closed for a fault of another kind saw all the same.
        (OF_A_DRIVER, tried("close")),
    ],
)
def test_a_task_that_was_started_again_takes_nothing_away(facts: tuple[Fact, ...]) -> None:
    assert given_up(events(*facts)) == []
    assert None not in judged(*facts).values()
