"""All simulated devices together show each fault of devices, and each says which it shows."""

from __future__ import annotations

import pytest

from midwatch.devices.contract import DriverContext, Kind, driver_factory
from midwatch.orders.injected import FAULT_KINDS
from midwatch_simulators.base import SimulatedDevice
from support.simulators_bench import Bench, on_bench

DRIVERS = {kind.value: f"simulated-{kind.value.replace('_', '-')}" for kind in Kind}
DRIVERS["guide_camera"] = "simulated-guide-camera"


def devices() -> dict[str, SimulatedDevice]:
    async def main(bench: Bench) -> dict[str, SimulatedDevice]:
        def made(role: str, context: DriverContext) -> SimulatedDevice:
            device = driver_factory(DRIVERS[role])(context)
            assert isinstance(device, SimulatedDevice)
            return device

        return {role: made(role, bench.context(role)) for role in DRIVERS}

    found: dict[str, SimulatedDevice] = on_bench(main)
    return found


def test_simulated_devices_show_all_faults_of_devices_and_no_others() -> None:
    shown = {name for device in devices().values() for name in device.shows}
    assert shown == {kind.name for kind in FAULT_KINDS.values() if kind.where == "device"}


@pytest.mark.parametrize("kind", [k for k in FAULT_KINDS.values() if k.where == "device"])
def test_a_fault_is_shown_by_the_device_that_it_is_about(kind) -> None:
    # A guider may have its camera inside, and so shows the faults of both.
    roles = {kind.role, "guider"} if kind.role == "guide_camera" else {kind.role}
    found = devices()
    assert all(kind.name in found[role].shows for role in roles)
