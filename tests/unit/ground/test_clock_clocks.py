from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta, timezone

import pytest

from midwatch.clock import Clock, ScaledClock, SteadyClock, VirtualClock, WallClock, lateness_s
from midwatch.virtual_time import run_virtual

START = datetime(2026, 11, 25, 17, 30, 0, 250_000, tzinfo=UTC)


def test_virtual_time_is_one_instant_in_three_forms() -> None:
    async def main() -> None:
        clock = VirtualClock(START)
        await clock.sleep(3600.5)
        assert clock.now() == START + timedelta(seconds=3600.5)
        assert clock.now().tzinfo is UTC
        assert clock.unix_s() == pytest.approx(clock.now().timestamp(), abs=1e-6)
        assert clock.mono() == 3600.5

    run_virtual(main)


def test_sleep_until_ends_on_the_instant_and_not_before() -> None:
    async def main() -> None:
        clock = VirtualClock(START)
        for target in (
            START + timedelta(hours=9, microseconds=1),
            START + timedelta(hours=9, microseconds=2),
            (START + timedelta(hours=10)).astimezone(timezone(timedelta(hours=5))),
        ):
            await clock.sleep_until(target)
            assert clock.now() == target
        await clock.sleep_until(START)
        assert clock.now() == START + timedelta(hours=10)

    run_virtual(main)


def test_a_virtual_clock_stands_still_outside_its_loop() -> None:
    clock = VirtualClock(START)
    assert clock.now() == START

    async def main() -> None:
        await clock.sleep(60.0)
        clock.now()

    run_virtual(main)
    assert clock.now() == START + timedelta(seconds=60)
    assert clock.virtual


def test_a_virtual_clock_refuses_a_real_loop() -> None:
    async def main() -> None:
        with pytest.raises(RuntimeError, match="run_virtual"):
            VirtualClock(START).now()

    asyncio.run(main())


@pytest.mark.parametrize("clock", [WallClock(), VirtualClock(START), ScaledClock(START, 10.0)])
def test_times_without_zone_are_refused(clock: Clock) -> None:
    naive = datetime(2026, 11, 25)  # noqa: DTZ001

    async def main() -> None:
        with pytest.raises(ValueError, match="ambiguous"):
            await clock.sleep_until(naive)

    asyncio.run(main())
    with pytest.raises(ValueError, match="ambiguous"):
        VirtualClock(naive)
    with pytest.raises(ValueError, match="ambiguous"):
        ScaledClock(naive, 1.0)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan"), float("inf")])
def test_a_scaled_clock_needs_a_positive_speed(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        ScaledClock(START, speed)


def test_the_wall_clock_is_the_system_clock() -> None:
    clock = WallClock()
    before = datetime.now(UTC)
    assert before <= clock.now() <= datetime.now(UTC)
    assert not clock.virtual


def test_scaled_clocks_of_one_anchor_agree_and_run_fast() -> None:
    anchor_unix_s = WallClock().unix_s() - 10.0
    first = ScaledClock(START, 100.0, anchor_unix_s)
    second = ScaledClock(START, 100.0, anchor_unix_s)

    async def main() -> None:
        assert first.now() >= START + timedelta(seconds=1000)
        before, between, after = first.now(), second.now(), first.now()
        assert before - timedelta(seconds=1) <= between <= after + timedelta(seconds=1)
        mono_s, unix_s = first.mono(), first.unix_s()
        await first.sleep(5.0)
        assert first.mono() - mono_s + 1e-3 >= 5.0
        assert first.unix_s() - unix_s >= 4.9
        with pytest.raises(TimeoutError):
            async with first.timeout(1.0):
                await first.sleep(1000.0)
        target = first.now() + timedelta(seconds=3)
        await first.sleep_until(target)
        assert first.now() >= target

    asyncio.run(main())


class SteppedClock(WallClock):
    """A machine whose clock is set forward by an hour while somebody sleeps."""

    def __init__(self) -> None:
        self.unix = 1_000_000.0
        self.slept: list[float] = []

    def unix_s(self) -> float:
        return self.unix

    async def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.unix += seconds + (3600.0 if len(self.slept) == 2 else 0.0)


def test_a_step_of_the_system_clock_costs_at_most_one_recheck() -> None:
    clock = SteppedClock()
    asyncio.run(clock.sleep_until(clock.now() + timedelta(seconds=3650), recheck_s=30.0))
    assert clock.slept == [30.0, 30.0]


def test_only_scaled_time_allows_for_what_the_machine_is_late_by() -> None:
    assert lateness_s(WallClock()) == lateness_s(VirtualClock(START)) == 0.0
    assert lateness_s(ScaledClock(START, 0.5)) == 0.0
    assert lateness_s(SteadyClock(ScaledClock(START, 11.0))) == 20.0
