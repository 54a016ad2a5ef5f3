from __future__ import annotations

import pytest

from midwatch.devices.contract.kinds import Move
from midwatch_simulators.instruments.simulated_focuser import SimulatedFocuser, make
from support.simulators_bench import Bench, connected, on_bench

FROM_S = 30.0


async def focuser_with(bench: Bench, fault: str) -> SimulatedFocuser:
    span = {"name": fault, "from_utc_s": bench.clock.unix_s() + FROM_S, "until_utc_s": None}
    device = await connected(
        make(bench.context("focuser", start_position=10_000, backlash_steps=0, faults=[span]))
    )
    assert isinstance(device, SimulatedFocuser)
    await device.perform(Move(position=10_100))
    assert device.truth().tube == 10_100
    await bench.clock.sleep(2 * FROM_S)
    return device


@pytest.mark.parametrize(
    ("fault", "says", "tube"),
    [
        ("focuser-stuck", 10_300, 10_100),
        ("focuser-reversed", 10_300, 9_900),
        ("focuser-at-end", 10_140, 10_140),
        ("focuser-slips", 10_300, 10_150),
    ],
)
def test_what_it_says_and_where_the_tube_is(fault: str, says: int, tube: float) -> None:
    async def main(bench: Bench) -> None:
        device = await focuser_with(bench, fault)
        await device.perform(Move(position=10_300))
        assert device.state().position == says
        assert device.truth().tube == tube

    on_bench(main)
