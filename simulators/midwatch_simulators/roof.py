"""Simulated roll-off roof."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from midwatch.devices.driver import DeviceError, DriverContext
from midwatch.devices.models import CloseRoof, Command, Kind, OpenRoof, RoofState

from .device import Handler, Heard, Options, SimulatedDevice, read_options
from .truth import MountTruth, RoofTruth


class RoofOptions(Options):
    """Settings of the simulated roof.

    Attributes:
        travel_s: time from closed to open.
        open: whether it is open when the night begins.
    """

    travel_s: float = Field(default=25.0, gt=0, le=600)
    open: bool = False


class SimulatedRoof(SimulatedDevice):
    """A roof that refuses to close over a mount that is not parked."""

    kind = Kind.ROOF

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(RoofOptions, context)
        super().__init__(context)
        self._fraction = 1.0 if self._options.open else 0.0
        self._direction = 0
        self._mount = Heard(context, "mount", MountTruth)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {OpenRoof: self._open, CloseRoof: self._close}

    def truth(self) -> RoofTruth:
        """Return how far the roof is open."""
        return RoofTruth(utc_s=self.clock.unix_s(), open_fraction=self._fraction)

    def state(self) -> RoofState:
        """Return the whole state."""
        return RoofState(
            connected=self.connected,
            at_rest=self._fraction == 0.0 and self._direction == 0,
            fault=self.fault,
            position=self._position(),
        )

    async def come_to_rest(self) -> None:
        """Close; refused like any closing while the mount is not parked."""
        await self._travel(0.0)

    async def _open(self, _command: OpenRoof) -> None:
        await self._travel(1.0)

    async def _close(self, _command: CloseRoof) -> None:
        await self._travel(0.0)

    async def _travel(self, goal: float) -> None:
        if goal == 0.0 and self._mount.latest is not None and not self._mount.latest.parked:
            raise DeviceError(
                f"{self.context.name} does not close: its switch says that the mount is not"
                " parked; park the mount first",
                retryable=True,
            )
        if goal == self._fraction:
            return
        start, began = self._fraction, self.clock.mono()
        self._direction = 1 if goal > start else -1
        self.tell()
        try:
            await self.clock.sleep(abs(goal - start) * self._options.travel_s)
            self._fraction = goal
        finally:
            if self._fraction != goal:
                gone = (self.clock.mono() - began) / self._options.travel_s
                self._fraction = min(1.0, max(0.0, start + self._direction * gone))
            self._direction = 0
            self.tell()

    def _position(self) -> Literal["open", "closed", "opening", "closing", "between", "unknown"]:
        if not self.connected:
            return "unknown"
        if self._direction:
            return "opening" if self._direction > 0 else "closing"
        if self._fraction in (0.0, 1.0):
            return "open" if self._fraction else "closed"
        return "between"


def make(context: DriverContext) -> SimulatedRoof:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return SimulatedRoof(context)
