from __future__ import annotations

from datetime import UTC, datetime

from midwatch.clock import VirtualClock
from midwatch.virtual_time import run_virtual
from midwatch_simulators.faults import Troubles
from midwatch_simulators.faults.troubles import FaultSpan

START = datetime(2027, 3, 10, 20, tzinfo=UTC)
T0 = START.timestamp()


def span(name: str, from_s: float, until_s: float | None) -> FaultSpan:
    return FaultSpan(
        name=name, from_utc_s=T0 + from_s, until_utc_s=None if until_s is None else T0 + until_s
    )


def seen(spans: list[FaultSpan], begin_s: float = 0.0) -> list[tuple[float, str, bool]]:
    clock = VirtualClock(START)
    calls: list[tuple[float, str, bool]] = []

    async def main() -> None:
        await clock.sleep(begin_s)
        troubles = Troubles(spans, clock)
        await troubles.watch(lambda name, began: calls.append((clock.mono(), name, began)))

    run_virtual(main)
    return calls


def test_beginnings_and_ends_are_reported_in_time():
    spans = [span("rain", 100.0, 160.0), span("jump", 130.0, 130.0), span("cable", 150.0, None)]
    assert seen(spans) == [
        (100.0, "rain", True),
        (130.0, "jump", True),
        (150.0, "cable", True),
        (160.0, "rain", False),
    ]


def test_a_driver_that_comes_up_late_hears_only_of_what_still_holds():
    spans = [span("rain", 10.0, 20.0), span("jump", 30.0, 30.0), span("cable", 40.0, 400.0)]
    assert seen(spans, begin_s=100.0) == [(100.0, "cable", True), (400.0, "cable", False)]


def test_a_fault_holds_from_its_beginning_to_just_before_its_end():
    troubles = Troubles([span("rain", 10.0, 20.0), span("rain", 15.0, 30.0)], VirtualClock(START))
    held = [troubles.active_at("rain", T0 + at_s) for at_s in (9.9, 10.0, 25.0, 30.0)]
    assert held == [False, True, True, False]
    assert not troubles.active("hail")
