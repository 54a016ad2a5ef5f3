from __future__ import annotations

import math

import pytest

from midwatch.devices.contract.kinds import Rotate
from midwatch_simulators.instruments.simulated_camera import make as make_camera
from midwatch_simulators.instruments.simulated_rotator import make
from support.simulators_bench import SMALL, Bench, connected, on_bench, point, shot


def turned(angle_deg: float, **options: object) -> tuple[float, float, float]:
    """Turn a rotator; return its angle, the seconds it took, and what the camera then shows."""

    async def main(bench: Bench) -> tuple[float, float, float]:
        rotator = await connected(make(bench.context("rotator", **options)))
        camera = await connected(
            make_camera(bench.context("camera", **SMALL, sky_mode="fast", rotation_deg=12.0))
        )
        point(bench)
        began = bench.clock.mono()
        await rotator.perform(Rotate(angle_deg=angle_deg))
        took = bench.clock.mono() - began
        point(bench)
        ref = await shot(camera, exposure_s=20.0)
        assert ref.facts is not None and ref.facts.rotation_deg is not None
        return rotator.state().angle_deg, took, ref.facts.rotation_deg

    result: tuple[float, float, float] = on_bench(main)
    return result


@pytest.mark.parametrize(("reversed_", "sky_deg"), [(False, 42.0), (True, 342.0)])
def test_the_frame_turns_with_it_one_way_or_the_other(reversed_: bool, sky_deg: float) -> None:
    angle, took, shown = turned(120.0, start_deg=90.0, reversed=reversed_, speed_deg_s=5.0)
    assert angle == 120.0
    assert took == pytest.approx(30.0 / 5.0)
    # The gear's play is a twentieth of a degree.
    assert abs((shown - sky_deg + 180) % 360 - 180) < 0.3
    assert shown != sky_deg


def test_it_goes_the_long_way_rather_than_wind_its_cables_up() -> None:
    _, took, _ = turned(350.0, start_deg=10.0, speed_deg_s=10.0)
    assert took == pytest.approx(34.0)


def test_it_stays_where_it_was_stopped() -> None:
    async def main(bench: Bench) -> float:
        rotator = await connected(make(bench.context("rotator", start_deg=0.0, speed_deg_s=2.0)))
        try:
            async with bench.clock.timeout(5.0):
                await rotator.perform(Rotate(angle_deg=100.0))
        except TimeoutError:
            pass
        assert not rotator.state().moving
        return rotator.state().angle_deg

    assert math.isclose(on_bench(main), 10.0, abs_tol=0.01)
