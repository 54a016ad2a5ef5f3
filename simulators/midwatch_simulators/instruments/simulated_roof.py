"""Simulated roll-off roof."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import CloseRoof, OpenRoof, RoofState
from midwatch_simulators.base import (
    Handler,
    Heard,
    MountTruth,
    Options,
    RoofTruth,
    SimulatedDevice,
    awake,
    read_options,
)

# Between two looks at the switch that shows the mount's position.
_LOOK_S = 5.0


class RoofOptions(Options):
    """Settings of the simulated roof.

    Attributes:
        travel_s: time from closed to open.
        open: whether it is open when the night begins.
        clears_telescope: whether it closes over a telescope in any position.
        waits_s: how long such a roof waits for the mount to park when no daemon is in command.
    """

    travel_s: float = Field(default=25.0, gt=0, le=600)
    open: bool = False
    clears_telescope: bool = False
    waits_s: float = Field(default=120.0, ge=0, le=240)


class SimulatedRoof(SimulatedDevice):
    """A roof that refuses to close over a mount that is not parked, unless it clears it anyway.

    Its switch at the mount is simulated over the bus, and is as good as that: with the broker
    frozen it shows what it showed last. A real one is a wire.
    """

    kind = Kind.ROOF
    shows: ClassVar[tuple[str, ...]] = ("roof-stays-shut", "roof-stops-halfway", "roof-sensor-lies")

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(RoofOptions, context)
        super().__init__(context)
        self._fraction = 1.0 if self._options.open else 0.0
        self._goal = self._fraction
        self._direction = 0
        self._mount = Heard(context, "mount", MountTruth)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {OpenRoof: self._open, CloseRoof: self._close}

    def limits(self) -> dict[str, JsonValue]:
        """Return whether it may close over a telescope that is not parked."""
        return {"clears_telescope": self._options.clears_telescope}

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

    def body(self) -> dict[str, JsonValue]:
        """Return where the roof is, and where its motor takes it."""
        return {"fraction": self._fraction, "goal": self._goal if self._direction else None}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:
        """Find the roof where its motor has brought it meanwhile."""
        fraction, goal = body.get("fraction"), body.get("goal")
        if isinstance(fraction, (int, float)):
            self._fraction = float(fraction)
            if isinstance(goal, (int, float)):
                gone = gone_s / self._options.travel_s
                step = min(abs(goal - fraction), gone)
                self._fraction += step if goal > fraction else -step

    async def come_to_rest(self) -> None:
        """Close; refused like any closing while the mount is not parked and in its way."""
        left_s = self._options.waits_s if self._options.clears_telescope else 0.0
        while left_s > 0.0 and self._mount_is_out():
            await self.clock.sleep(min(left_s, _LOOK_S))
            left_s -= _LOOK_S
        await self._travel(0.0)

    async def _open(self, _command: OpenRoof) -> None:
        await self._travel(1.0)

    async def _close(self, _command: CloseRoof) -> None:
        await self._travel(0.0)

    async def _travel(self, goal: float) -> None:
        if goal == 0.0 and self._mount_is_out() and not self._options.clears_telescope:
            raise DeviceError(
                f"{self.context.name} does not close: its switch says that the mount is not"
                " parked; park the mount first",
                retryable=True,
            )
        if goal == self._fraction:
            return
        if goal > 0.0 and self.troubles.active("roof-stays-shut"):
            raise DeviceError(
                f"{self.context.name} does not move; check its motor and its latch", retryable=True
            )
        end = goal
        if self.troubles.active("roof-stops-halfway"):
            end = 0.5 * (goal + self._fraction)
        self._goal = goal
        start, began = self._fraction, self.clock.mono()
        self._direction = 1 if goal > start else -1
        self.inform()
        try:
            await self.clock.sleep(abs(end - start) * self._options.travel_s)
            self._fraction = end
        finally:
            if self._fraction != end:
                gone = (self.clock.mono() - began) / self._options.travel_s
                self._fraction = min(1.0, max(0.0, start + self._direction * gone))
            self._direction = 0
            self.inform()
        if end != goal:
            raise DeviceError(
                f"{self.context.name} has stopped on its way; check its track", retryable=True
            )

    def _mount_is_out(self) -> bool:
        return self._mount.latest is not None and not self._mount.latest.parked

    def _position(self) -> Literal["open", "closed", "opening", "closing", "between", "unknown"]:
        if not self.connected:
            return "unknown"
        if self._direction:
            return "opening" if self._direction > 0 else "closing"
        if self._fraction in (0.0, 1.0):
            seen_open = (self._fraction == 1.0) != self.troubles.active("roof-sensor-lies")
            return "open" if seen_open else "closed"
        return "between"


def make(context: DriverContext) -> SimulatedRoof:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedRoof(context))
