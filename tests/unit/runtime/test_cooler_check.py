"""What `check --rig` says of a cooler, measured on the simulated camera in virtual time."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from midwatch.clock import VirtualClock
from midwatch.orders.reading import load_night
from midwatch.runtime.real import rig_fitness
from midwatch.runtime.real.rig_check import Fitness
from midwatch.virtual_time import run_virtual
from support.interface_bench import RIG, write_night

EVENING = datetime(2027, 3, 10, 18, 0, tzinfo=UTC)


def camera_of(folder: Path, to_c: float, *, cooler: bool = True) -> Fitness:
    """Return what is said of a camera whose cooler goes 35 degrees below the air."""
    cooled = f"camera: {{pixel_um: 10.8, cool_to_c: {to_c}, cool_rate_c_per_min: 10}}"
    rig = RIG.replace("camera: {pixel_um: 10.8}", cooled)
    night = load_night(write_night(folder, rig=rig))

    async def main() -> list[Fitness]:
        return await rig_fitness(night, cooler=cooler, clock=VirtualClock(EVENING))

    found = {device.role: device for device in run_virtual(main)}
    return found["camera"]


def numbers(text: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", text)]


def test_a_set_point_in_reach_is_reached_and_its_price_said(tmp_path: Path) -> None:
    camera = camera_of(tmp_path, -10.0)
    assert camera.trouble is None and not camera.notable
    said = re.search(r"cools to -10 degC at (\d+) % of its power", camera.remark)
    # Half of the depth or less, of which 2p - p^2 is held: 1 - sqrt(1/2) of the power at most.
    assert said is not None and 15 < int(said[1]) < 45


def test_a_set_point_out_of_reach_is_named_with_what_the_cooler_holds(tmp_path: Path) -> None:
    camera = camera_of(tmp_path, -55.0)
    assert camera.trouble is None and camera.notable
    holds_c, power, below_c, ordered_c, would_c = numbers(camera.remark.partition(";")[2])
    assert (power, ordered_c) == (100.0, -55.0)
    assert below_c == pytest.approx(35.0, abs=2.0)
    assert holds_c < would_c <= holds_c + 2.0


def test_without_being_asked_nothing_is_cooled(tmp_path: Path) -> None:
    assert "cool" not in camera_of(tmp_path, -10.0, cooler=False).remark
