"""Simulated filter wheel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import FilterWheelState, SelectFilter
from midwatch_simulators.base import (
    Handler,
    Options,
    SimulatedDevice,
    WheelTruth,
    awake,
    read_options,
)

# Share of the light of the whole visible band that a filter passes; common practice, no source:
# a colour takes a third, an emission line of 5 to 7 nm two hundredths.
TRANSMISSION = {
    "L": 1.0, "R": 0.30, "G": 0.29, "B": 0.31, "Ha": 0.02, "OIII": 0.02, "SII": 0.02,
}  # fmt: skip

_JAM_S = 10.0  # after which the wheel's own electronics give up


class FilterWheelOptions(Options):
    """Settings of the simulated filter wheel.

    Attributes:
        filters: names by slot.
        transmission: share of the visible band that a filter passes, where it is not the usual.
        focus_offset_um: focal shift that a filter makes.
        slot_s: time from one slot to the next.
    """

    filters: tuple[str, ...] = Field(default=("L", "R", "G", "B", "Ha"), min_length=1)
    transmission: dict[str, float] = Field(default_factory=dict)
    focus_offset_um: dict[str, float] = Field(default_factory=dict)
    slot_s: float = Field(default=1.2, gt=0, le=30)


class SimulatedFilterWheel(SimulatedDevice):
    """A wheel that turns one way round, slot by slot."""

    kind = Kind.FILTER_WHEEL
    shows: ClassVar[tuple[str, ...]] = ("filter-wheel-jams",)

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(FilterWheelOptions, context)
        super().__init__(context)
        self._slot: int | None = 0
        self._moving = False

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {SelectFilter: self._select}

    def truth(self) -> WheelTruth:
        """Return the filter in the beam; between slots nothing passes."""
        now = self.clock.unix_s()
        if self._slot is None:
            return WheelTruth(utc_s=now, name=None, transmission=0.0, focus_um=0.0)
        name = self._options.filters[self._slot]
        return WheelTruth(
            utc_s=now,
            name=name,
            transmission=self._options.transmission.get(name, TRANSMISSION.get(name, 0.3)),
            focus_um=self._options.focus_offset_um.get(name, 0.0),
        )

    def state(self) -> FilterWheelState:
        """Return the whole state."""
        selected = None if self._slot is None else self._options.filters[self._slot]
        return FilterWheelState(
            connected=self.connected,
            at_rest=not self._moving,
            fault=self.fault,
            filters=self._options.filters,
            selected=selected if self.connected else None,
            moving=self._moving,
        )

    def body(self) -> dict[str, JsonValue]:
        """Return the slot in the beam."""
        return {"slot": self._slot}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the wheel at its slot; one that was turning has come to its first slot since."""
        slot = body.get("slot")
        self._slot = slot if isinstance(slot, int) else 0

    async def come_to_rest(self) -> None:
        """Do nothing: a wheel is safe anywhere."""

    async def _select(self, command: SelectFilter) -> None:
        filters = self._options.filters
        if command.name not in filters:
            raise DeviceError(
                f"{self.context.name} has no filter {command.name!r}; it has {', '.join(filters)}"
            )
        wanted = filters.index(command.name)
        slots = len(filters) if self._slot is None else (wanted - self._slot) % len(filters)
        if slots == 0:
            return
        if self.troubles.active("filter-wheel-jams"):
            await self.clock.sleep(_JAM_S)
            raise DeviceError(
                f"{self.context.name} does not turn; it is cold or its wheel rubs", retryable=True
            )
        self._slot, self._moving = None, True
        self.inform()
        try:
            await self.clock.sleep(slots * self._options.slot_s)
            self._slot = wanted
        finally:
            self._moving = False
            self.inform()


def make(context: DriverContext) -> SimulatedFilterWheel:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedFilterWheel(context))
