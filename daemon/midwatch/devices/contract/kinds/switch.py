"""State and commands of a box of switched outlets."""

from __future__ import annotations

from pydantic import Field

from midwatch.devices.contract.base import Command, DeviceState, Kind


class SwitchState(DeviceState):
    """State of a box of switched outlets."""

    outlets: dict[str, bool] = Field(default_factory=dict)


class SetOutlet(Command[None]):
    """Switch one outlet on or off."""

    command = "set_outlet"
    kind = Kind.SWITCH
    outlet: str
    on: bool


class CycleOutlet(Command[None]):
    """Switch one outlet off and, after some seconds, on again."""

    command = "cycle_outlet"
    kind = Kind.SWITCH
    outlet: str
    off_s: float = Field(gt=0, le=120)
