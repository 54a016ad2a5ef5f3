"""State and commands of a filter wheel."""

from __future__ import annotations

from midwatch.devices.contract.base import Command, DeviceState, Kind


class FilterWheelState(DeviceState):
    """State of a filter wheel."""

    filters: tuple[str, ...] = ()
    selected: str | None = None
    moving: bool = False


class SelectFilter(Command[None]):
    """Bring a filter into the beam; answers on arrival."""

    command = "select_filter"
    kind = Kind.FILTER_WHEEL
    name: str
