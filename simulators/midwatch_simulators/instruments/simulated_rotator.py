"""Simulated camera rotator."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DriverContext, Kind
from midwatch.devices.contract.kinds import Rotate, RotatorState
from midwatch_simulators.base import (
    Handler,
    Options,
    RotatorTruth,
    SimulatedDevice,
    awake,
    normal,
    read_options,
)


class RotatorOptions(Options):
    """Settings of the simulated rotator.

    Attributes:
        start_deg: mechanical angle at which it is when the night begins.
        reversed: a growing mechanical angle turns the camera from north towards west.
        speed_deg_s: how fast it turns.
        play_deg: spread of where the camera really is at an angle, gear play.
    """

    start_deg: float = Field(default=90.0, ge=0, lt=360)
    reversed: bool = False
    speed_deg_s: float = Field(default=4.0, gt=0, le=90)
    play_deg: float = Field(default=0.05, ge=0, le=5)


class SimulatedRotator(SimulatedDevice):
    """A geared ring whose cables bear less than one whole turn: it never passes through zero."""

    kind = Kind.ROTATOR

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(RotatorOptions, context)
        super().__init__(context)
        self._angle_deg = self._options.start_deg
        self._way: tuple[float, float, float] | None = None
        self._moves = 0

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {Rotate: self._rotate}

    def limits(self) -> dict[str, Any]:
        """Return the limits."""
        return {"speed_deg_s": self._options.speed_deg_s}

    def truth(self) -> RotatorTruth:
        """Return how far the camera has been turned on the sky since the beginning."""
        turned = self._position_deg() - self._options.start_deg
        if self._moves:
            turned += self._options.play_deg * normal(self.seed, "play", self._moves)
        return RotatorTruth(
            utc_s=self.clock.unix_s(), turned_deg=-turned if self._options.reversed else turned
        )

    def state(self) -> RotatorState:
        """Return the whole state."""
        return RotatorState(
            connected=self.connected,
            at_rest=self._way is None,
            fault=self.fault,
            angle_deg=round(self._position_deg(), 3),
            moving=self._way is not None,
        )

    def body(self) -> dict[str, JsonValue]:
        """Return where the ring is, and where its motor takes it."""
        goal_deg = None if self._way is None else self._way[1]
        return {"angle_deg": self._angle_deg, "goal_deg": goal_deg, "moves": self._moves}

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:
        """Find the ring where its motor has brought it meanwhile."""
        angle, goal, moves = body.get("angle_deg"), body.get("goal_deg"), body.get("moves")
        if not isinstance(angle, (int, float)) or not isinstance(moves, int):
            return
        self._angle_deg, self._moves = float(angle), moves
        if isinstance(goal, (int, float)):
            step = min(abs(goal - angle), gone_s * self._options.speed_deg_s)
            self._angle_deg += step if goal > angle else -step

    async def come_to_rest(self) -> None:
        """Do nothing: a rotator is safe anywhere, and its motion has been cancelled before."""

    def _position_deg(self) -> float:
        if self._way is None:
            return self._angle_deg
        start, end, began = self._way
        gone = (self.clock.mono() - began) * self._options.speed_deg_s
        return start + min(gone, end - start) if end > start else start - min(gone, start - end)

    async def _rotate(self, command: Rotate) -> None:
        distance = abs(command.angle_deg - self._angle_deg)
        if distance == 0.0:
            return
        self._way = (self._angle_deg, command.angle_deg, self.clock.mono())
        self._moves += 1
        self.context.changed()
        self._keep_body()
        try:
            await self.clock.sleep(distance / self._options.speed_deg_s)
            self._angle_deg, self._way = command.angle_deg, None
        finally:
            if self._way is not None:
                self._angle_deg, self._way = self._position_deg(), None
            self.inform()


def make(context: DriverContext) -> SimulatedRotator:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedRotator(context))
