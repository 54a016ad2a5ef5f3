"""What a rig can do against faults, from what its devices say."""

from __future__ import annotations

from types import SimpleNamespace

from midwatch.journal.facts import FaultBegan
from midwatch.sequencer.faults import AvailableRemedies

SILENT = FaultBegan(fault_id="1", device="roof", fault="silent", message="gone")


def possible(*, connected: bool = True, **down: bool) -> tuple[str, ...]:
    devices = {role: SimpleNamespace(down=is_down) for role, is_down in down.items()}
    rig = SimpleNamespace(devices=devices, guider=None, switch=None, connected=connected)
    return AvailableRemedies(rig, restartable=tuple(devices)).possible(SILENT)  # type: ignore[arg-type]


def test_a_driver_that_alone_is_silent_is_started_again() -> None:
    assert "restart_driver" in possible(roof=True, mount=False)


def test_where_all_are_silent_no_driver_is_touched() -> None:
    assert possible(roof=True, mount=True) == ("wait", "close")


def test_while_the_bus_is_away_no_driver_is_touched() -> None:
    assert possible(connected=False, roof=True, mount=False) == ("wait", "close")


def test_the_only_device_of_a_rig_is_started_again() -> None:
    assert "restart_driver" in possible(roof=True)
