from __future__ import annotations

from datetime import UTC, datetime, timedelta

from midwatch.clock import ShiftedClock, SteadyClock, VirtualClock, WallClock
from midwatch.virtual_time import run_virtual

START = datetime(2027, 3, 10, 20, tzinfo=UTC)


def test_a_steady_clock_follows_small_corrections_and_no_jumps():
    async def main() -> None:
        true = VirtualClock(START)
        machine = ShiftedClock(true)
        steady = SteadyClock(machine)
        await steady.sleep(100.0)
        assert steady.now() == START + timedelta(seconds=100)
        machine.shift_s = 7.0
        assert steady.now() == START + timedelta(seconds=107)
        assert steady.jump_s == 0.0
        machine.shift_s = 7207.0
        await steady.sleep(10.0)
        assert steady.now() == START + timedelta(seconds=117)
        assert steady.jump_s == 7200.0
        machine.shift_s = 7.0
        assert steady.jump_s == 0.0
        assert steady.now() == START + timedelta(seconds=117)

    run_virtual(main)


def test_slow_drift_is_followed_however_far_it_goes():
    async def main() -> None:
        machine = ShiftedClock(VirtualClock(START))
        steady = SteadyClock(machine)
        for _ in range(100):
            machine.shift_s -= 5.0
            await steady.sleep(5.0)
            steady.unix_s()
        assert steady.now() == START
        assert steady.jump_s == 0.0

    run_virtual(main)


def test_a_jump_is_believed_when_somebody_knows_better():
    async def main() -> None:
        machine = ShiftedClock(VirtualClock(START))
        steady = SteadyClock(machine)
        machine.shift_s = -3600.0
        assert steady.now() == START
        steady.adopt()
        assert steady.now() == START - timedelta(hours=1)
        assert steady.jump_s == 0.0

    run_virtual(main)


def test_sleep_of_the_machine_is_no_jump():
    awake_s = 0.0
    asleep_s = 0.0

    class Machine(WallClock):
        def unix_s(self) -> float:
            return 1e9 + awake_s + asleep_s

    steady = SteadyClock(Machine(), counted=lambda: awake_s + asleep_s)
    awake_s, asleep_s = 50.0, 4000.0
    assert steady.jump_s == 0.0
    assert steady.unix_s() == 1e9 + 4050.0


def test_it_waits_for_an_instant_of_its_own_calendar():
    async def main() -> None:
        true = VirtualClock(START)
        machine = ShiftedClock(true)
        steady = SteadyClock(machine)
        machine.shift_s = 9000.0
        await steady.sleep_until(START + timedelta(seconds=60))
        assert true.now() == START + timedelta(seconds=60)

    run_virtual(main)
