"""Simulated box of switched outlets."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import CycleOutlet, SetOutlet, SwitchState
from midwatch_simulators.base import Handler, Options, SimulatedDevice, awake, read_options

_RELAY_S = 0.1


class SwitchOptions(Options):
    """Settings of the simulated switch box.

    Attributes:
        outlets: names and whether they are on at first.
        keep_on: outlets that stay on when everything is made safe.
    """

    outlets: dict[str, bool] = Field(
        default_factory=lambda: {"mount": True, "camera": True, "dew_heater": False}
    )
    keep_on: tuple[str, ...] = ("mount", "camera")


class SimulatedSwitch(SimulatedDevice):
    """Relays, on which hangs the power of the devices that are called like an outlet."""

    kind = Kind.SWITCH

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(SwitchOptions, context)
        super().__init__(context)
        self._outlets = dict(self._options.outlets)
        self._cycling: list[str] = []

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {SetOutlet: self._set, CycleOutlet: self._cycle}

    def state(self) -> SwitchState:
        """Return the whole state."""
        heating = [
            name for name, on in self._outlets.items() if on and name not in self._options.keep_on
        ]
        return SwitchState(
            connected=self.connected,
            at_rest=not heating,
            fault=self.fault,
            outlets=dict(self._outlets),
        )

    def body(self) -> dict[str, JsonValue]:
        """Return the relays; one that is cycled is on in the end."""
        outlets: dict[str, JsonValue] = {
            name: on or name in self._cycling for name, on in self._outlets.items()
        }
        return {"outlets": outlets}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the relays as they were."""
        outlets = body.get("outlets")
        if isinstance(outlets, dict):
            self._outlets.update(
                {name: bool(on) for name, on in outlets.items() if name in self._outlets}
            )

    async def come_to_rest(self) -> None:
        """Switch off what need not stay on."""
        for name in self._outlets:
            if name not in self._options.keep_on:
                await self._switch(name, on=False)

    async def _set(self, command: SetOutlet) -> None:
        self._check(command.outlet)
        await self._switch(command.outlet, on=command.on)

    async def _cycle(self, command: CycleOutlet) -> None:
        self._check(command.outlet)
        self._cycling.append(command.outlet)
        try:
            await self._switch(command.outlet, on=False)
            await self.clock.sleep(command.off_s)
        finally:
            # The box counts by itself: the caller may be gone.
            self._cycling.remove(command.outlet)
            self._outlets[command.outlet] = True
            self._feed()

    async def _switch(self, name: str, *, on: bool) -> None:
        await self.clock.sleep(_RELAY_S)
        self._outlets[name] = on
        self._feed()

    def on_connect(self) -> None:
        """Say what has power."""
        self._feed()

    def _feed(self) -> None:
        self.context.emit("truth", {"outlets": dict(self._outlets)})
        self.inform()

    def _check(self, name: str) -> None:
        if name not in self._outlets:
            raise DeviceError(
                f"{self.context.name} has no outlet {name!r}; it has {', '.join(self._outlets)}"
            )


def make(context: DriverContext) -> SimulatedSwitch:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedSwitch(context))
