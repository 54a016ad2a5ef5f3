"""Simulated focuser on a tube that shrinks in the cold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from pydantic import Field, JsonValue

from midwatch.devices.contract import Command, DeviceError, DriverContext, Kind
from midwatch.devices.contract.kinds import FocuserState, Move
from midwatch_simulators.base import (
    FocuserTruth,
    Handler,
    Heard,
    Options,
    SimulatedDevice,
    awake,
    normal,
    read_options,
)
from midwatch_simulators.sky import Air

_PROBE_EVERY_S = 10.0
# The clutch that slips lets the tube slide so far.
_SLIP_STEPS = 150.0
# A focuser that runs against something gets no further than this in one move.
_OBSTRUCTED_STEPS = 40


class FocuserOptions(Options):
    """Settings of the simulated focuser.

    Attributes:
        start_position: where it is when the night begins.
        best_position: best focus at `reference_c`, of an upward approach.
        slope_steps_per_c: shift of best focus when lens and tube change by a degree together.
        tube_share: of that slope, what the tube makes; the rest is the lens's.
        backlash_steps: how far the motor turns after a reversal before the tube follows.
        um_per_step: focal shift of one step.
        lens_lag_min: time constant with which the lens follows the air.
        tube_lag_min: the same of the tube.
        probe_lag_min: the same of the temperature probe.
        probe_noise_c: spread of the temperature probe.
    """

    max_position: int = Field(default=30_000, gt=0)
    start_position: int = Field(default=14_600, ge=0)
    best_position: float = 15_000.0
    reference_c: float = 5.0
    slope_steps_per_c: float = 25.0
    backlash_steps: int = Field(default=60, ge=0, le=5000)
    speed_steps_s: float = Field(default=200.0, gt=0)
    um_per_step: float = Field(default=1.0, gt=0)
    tube_share: float = Field(default=0.0, ge=0, le=1)
    lens_lag_min: float = Field(default=30.0, gt=0, le=600)
    tube_lag_min: float = Field(default=30.0, gt=0, le=600)
    probe_lag_min: float = Field(default=30.0, gt=0, le=600)
    probe_noise_c: float = Field(default=0.05, ge=0, le=2)


class SimulatedFocuser(SimulatedDevice):
    """A stepper motor, a gear with play, and a tube.

    Upward moves push the tube exactly; after a reversal the motor first takes up the backlash,
    so that downward moves leave the tube that much too high.

    Faults: ``focuser-stuck`` (the motor turns and counts, the tube does not follow),
    ``focuser-slips`` (the tube slides down once), ``focuser-at-end`` (a move ends early, with an
    answer as if all were well), ``focuser-reversed`` (the tube goes the other way).
    """

    kind = Kind.FOCUSER
    shows: ClassVar[tuple[str, ...]] = (
        "focuser-stuck", "focuser-slips", "focuser-at-end", "focuser-reversed",
    )  # fmt: skip

    def __init__(self, context: DriverContext) -> None:
        self._options = read_options(FocuserOptions, context)
        super().__init__(context)
        self._motor = min(self._options.start_position, self._options.max_position)
        self._tube = float(self._motor)
        self._engaged = 0.0
        self._moving_from: tuple[int, float] | None = None
        self._goal = self._motor
        self._weather = Heard(context, "weather", Air)

    def handlers(self) -> Mapping[type[Command[Any]], Handler]:
        """Return what answers each command."""
        return {Move: self._move}

    def limits(self) -> dict[str, Any]:
        """Return the limits."""
        return {"max_position": self._options.max_position}

    def truth(self) -> FocuserTruth:
        """Return where the tube is and should be."""
        options = self._options
        return FocuserTruth(
            utc_s=self.clock.unix_s(),
            tube=self._tube,
            best_tube=options.best_position,
            slope_steps_per_c=options.slope_steps_per_c,
            reference_c=options.reference_c,
            tube_share=options.tube_share,
            lens_lag_s=options.lens_lag_min * 60.0,
            tube_lag_s=options.tube_lag_min * 60.0,
            um_per_step=options.um_per_step,
        )

    def state(self) -> FocuserState:
        """Return the whole state."""
        return FocuserState(
            connected=self.connected,
            at_rest=self._moving_from is None,
            fault=self.fault,
            position=self._position(),
            max_position=self._options.max_position,
            moving=self._moving_from is not None,
            temperature_c=self._probe_c() if self.connected else None,
        )

    def body(self) -> dict[str, JsonValue]:
        """Return where motor and tube are, and where the motor goes."""
        return {
            "motor": self._motor,
            "tube": self._tube,
            "engaged": self._engaged,
            "goal": None if self._moving_from is None else self._goal,
        }

    def take_up(self, body: Mapping[str, JsonValue], gone_s: float) -> None:
        """Find the tube where the motor has brought it meanwhile."""
        motor, tube, engaged = body.get("motor"), body.get("tube"), body.get("engaged")
        if not isinstance(motor, int) or not isinstance(tube, (int, float)):
            return
        self._motor, self._tube = motor, float(tube)
        if isinstance(engaged, (int, float)):
            self._engaged = float(engaged)
        if isinstance(goal := body.get("goal"), int):
            steps = min(abs(goal - motor), int(gone_s * self._options.speed_steps_s))
            self._arrive(motor + steps if goal > motor else motor - steps)

    async def come_to_rest(self) -> None:
        """Do nothing: a focuser is safe anywhere, and its motion has been cancelled before."""

    def _probe_c(self) -> float:
        reading = int(self.clock.unix_s() // _PROBE_EVERY_S)
        air = self._weather.latest or Air()
        true_c = air.body_c(reading * _PROBE_EVERY_S, self._options.probe_lag_min * 60.0)
        return round(true_c + self._options.probe_noise_c * normal(self.seed, "probe", reading), 2)

    def _position(self) -> int:
        if self._moving_from is None:
            return self._motor
        start, began = self._moving_from
        gone = int((self.clock.mono() - began) * self._options.speed_steps_s)
        distance = self._goal - start
        return start + (min(gone, distance) if distance > 0 else -min(gone, -distance))

    async def _move(self, command: Move) -> None:
        if command.position > self._options.max_position:
            raise DeviceError(
                f"{self.context.name} reaches 0 to {self._options.max_position} steps,"
                f" not {command.position}"
            )
        if command.position == self._motor:
            return
        self._moving_from = (self._motor, self.clock.mono())
        self._goal = command.position
        if self.troubles.active("focuser-at-end"):
            short = min(max(command.position - self._motor, -_OBSTRUCTED_STEPS), _OBSTRUCTED_STEPS)
            self._goal = self._motor + short
        self.context.changed()
        self._keep_body()
        steps = abs(self._goal - self._motor)
        try:
            await self.clock.sleep(steps / self._options.speed_steps_s)
            self._arrive(self._goal)
        finally:
            if self._moving_from is not None:
                self._arrive(self._position())

    def trouble(self, name: str, began: bool) -> None:
        """Let the tube slide when it is time."""
        if name == "focuser-slips" and began:
            self._engaged -= _SLIP_STEPS
            self._tube -= _SLIP_STEPS
            self.inform()

    def _arrive(self, position: int) -> None:
        """Bring the motor to a position, and the tube where the gear takes it.

        The gear engages at `_engaged` above the motor's count; what slips or turns the wrong way
        leaves the tube in step with another count than before.
        """
        moved = position - self._motor
        self._motor = position
        self._moving_from = None
        if self.troubles.active("focuser-stuck"):
            self._engaged -= moved
        elif self.troubles.active("focuser-reversed"):
            self._engaged -= 2 * moved
        lowest = position + self._engaged
        self._tube = min(max(self._tube, lowest), lowest + self._options.backlash_steps)
        self.inform()


def make(context: DriverContext) -> SimulatedFocuser:
    """Build the driver.

    Raises:
        DeviceError: a setting is wrong.
    """
    return awake(SimulatedFocuser(context))
