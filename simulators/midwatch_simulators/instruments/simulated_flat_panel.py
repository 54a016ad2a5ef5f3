"""Simulated flat panel with a motorised cover."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DriverContext, Kind
from midwatch.devices.contract.kinds import Cover, FlatPanelState, Light
from midwatch_simulators.base import (
    Handler,
    Options,
    PanelTruth,
    SimulatedDevice,
    awake,
    read_options,
)


class FlatPanelOptions(Options):
    """Settings of the simulated flat panel.

    Attributes:
        cover: whether the panel is a cover that moves; one without is in the beam while lit.
        cover_s: time to open or close it.
        warm_up_s: time until the light is steady.
    """

    cover: bool = True
    cover_s: float = Field(default=6.0, gt=0, le=120)
    warm_up_s: float = Field(default=0.5, ge=0, le=30)


class SimulatedFlatPanel(SimulatedDevice):
    """A luminous panel before the telescope.

    A cover that has set out runs to its end switch, even if the caller is gone: it is never left
    half way in the beam.
    """

    kind = Kind.FLAT_PANEL

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(FlatPanelOptions, context)
        super().__init__(context)
        self._brightness_percent = 0.0
        self._cover: Literal["open", "closed", "moving", "none"] = (
            "open" if self._options.cover else "none"
        )
        self._goal: Literal["open", "closed"] = "open"
        self._still = asyncio.Event()
        self._still.set()

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {Light: self._light, Cover: self._move_cover}

    def truth(self) -> PanelTruth:
        """Return what the panel does to the beam."""
        return PanelTruth(
            utc_s=self.clock.unix_s(),
            brightness_percent=self._brightness_percent,
            covers=self._cover in ("closed", "moving")
            or (self._cover == "none" and self._brightness_percent > 0.0),
        )

    def state(self) -> FlatPanelState:
        """Return the whole state."""
        return FlatPanelState(
            connected=self.connected,
            at_rest=self._brightness_percent == 0.0 and self._cover != "moving",
            fault=self.fault,
            lit=self._brightness_percent > 0.0,
            brightness_percent=self._brightness_percent,
            cover=self._cover,
        )

    def body(self) -> dict[str, JsonValue]:
        """Return the light, and where the cover is or will be."""
        cover = self._goal if self._cover == "moving" else self._cover
        return {"brightness_percent": self._brightness_percent, "cover": cover}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:  # noqa: ARG002
        """Find the light as it was, and the cover at its end switch."""
        brightness = body.get("brightness_percent")
        if isinstance(brightness, (int, float)):
            self._brightness_percent = float(brightness)
        if self._options.cover:
            self._cover = "closed" if body.get("cover") == "closed" else "open"

    async def come_to_rest(self) -> None:
        """Switch the light off; a cover protects and is closed."""
        await self._set_light(0.0)
        if self._options.cover:
            await self._set_cover(closed=True)

    async def halt(self) -> None:
        """Wait for a cover on its way."""
        await self._still.wait()

    async def _light(self, command: Light) -> None:
        await self._set_light(command.brightness_percent)

    async def _set_light(self, brightness_percent: float) -> None:
        if brightness_percent != self._brightness_percent:
            await self.clock.sleep(self._options.warm_up_s)
            self._brightness_percent = brightness_percent
            self.inform()

    async def _move_cover(self, command: Cover) -> None:
        # A panel without a cover has nothing to move, and says so in its state.
        if self._options.cover:
            await self._set_cover(closed=command.closed)

    async def _set_cover(self, *, closed: bool) -> None:
        await self._still.wait()
        goal: Literal["open", "closed"] = "closed" if closed else "open"
        if self._cover == goal:
            return
        self._cover, self._goal = "moving", goal
        self._still.clear()
        self.context.spawn(f"{self.context.name} cover", self._run_to(goal))
        self.inform()
        await self._still.wait()

    async def _run_to(self, goal: Literal["open", "closed"]) -> None:
        await self.clock.sleep(self._options.cover_s)
        self._cover = goal
        self._still.set()
        self.inform()


def make(context: DriverContext) -> SimulatedFlatPanel:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedFlatPanel(context))
