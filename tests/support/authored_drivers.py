"""A driver for each kind of device, as an author writes it: it sees `midwatch.api.driver` only.

The hardware is a folder of registers, one text file each, as systems show small devices. What
moves takes its time, and stays where it has come to when it is stopped.
"""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from midwatch.api.driver import (
    Acknowledge,
    CameraState,
    CloseRoof,
    Command,
    Connect,
    Cool,
    Cover,
    CycleOutlet,
    DeviceAbout,
    DeviceError,
    DeviceState,
    Disconnect,
    Dither,
    Driver,
    DriverContext,
    DriverFactory,
    Expose,
    FilterWheelState,
    FlatPanelState,
    FocuserState,
    FrameRef,
    GuiderState,
    Kind,
    Light,
    ListWaiting,
    Model,
    MountState,
    Move,
    OpenRoof,
    Park,
    Pulse,
    RoofState,
    Rotate,
    RotatorState,
    SelectFilter,
    SetOutlet,
    Slew,
    StartGuiding,
    Stop,
    StopGuiding,
    SwitchState,
    Sync,
    Track,
    Unpark,
    Waiting,
    Warm,
    WeatherState,
)

WIDTH_PX, HEIGHT_PX = 12, 8
FILTERS = ("L", "R", "G", "B")


class OnRegisters:
    """What all of them share: the link, the registers, motion in steps."""

    kind: Kind

    def __init__(self, context: DriverContext) -> None:
        self.context = context
        self.folder = Path(str(context.options["folder"]))
        self.connected = False
        self.moving = False

    def about(self) -> DeviceAbout:
        return DeviceAbout(kind=self.kind, driver=f"registers-{self.kind}")

    def state(self) -> DeviceState:
        raise NotImplementedError

    async def perform(self, command: Command[Any]) -> Model | None:
        answer: Model | None = None
        match command:
            case Connect():
                if not self.folder.is_dir():
                    message = f"there is no {self.folder}; check the cable"
                    raise DeviceError(message, retryable=True)
                self.connected = True
            case Disconnect():
                self.connected = False
            case Stop():
                pass  # what was under way was cancelled before
            case _:
                answer = await self.do(command)
        self.context.changed()
        return answer

    async def do(self, command: Command[Any]) -> Model | None:
        raise DeviceError(f"{self.context.name} cannot do {command.command}")

    async def make_safe(self, reason: str) -> None:
        self.context.changed()

    async def close(self) -> None:
        pass

    def read(self, register: str, before: float = 0.0) -> float:
        with contextlib.suppress(FileNotFoundError):
            return float((self.folder / register).read_text(encoding="ascii"))
        return before

    def write(self, register: str, value: float) -> None:
        (self.folder / register).write_text(repr(float(value)), encoding="ascii")
        self.context.changed()

    async def go(self, register: str, goal: float, per_s: float) -> None:
        """Move a register to a goal; cancelled, it stays where it has come to."""
        start, began_s = self.read(register), self.context.clock.mono()
        self.moving = True
        self.context.changed()
        try:
            await self.context.clock.sleep(abs(goal - start) / per_s)
            self.write(register, goal)
        except BaseException:
            gone = per_s * (self.context.clock.mono() - began_s)
            self.write(register, start + min(gone, abs(goal - start)) * (1 if goal > start else -1))
            raise
        finally:
            self.moving = False
            self.context.changed()


class RegisterMount(OnRegisters):
    kind = Kind.MOUNT

    def __init__(self, context: DriverContext) -> None:
        super().__init__(context)
        self.pulses: list[Pulse] = []

    def state(self) -> MountState:
        parked = self.read("parked", 1.0) > 0.0
        return MountState(
            connected=self.connected, at_rest=parked, parked=parked, slewing=self.moving,
            tracking=self.read("tracking") > 0.0, ra_deg=self.read("ra") % 360.0,
            dec_deg=self.read("dec", 90.0), pier_side="west",
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case Unpark():
                self.write("parked", 0.0)
            case Slew():
                if self.state().parked:
                    raise DeviceError("the mount is parked: unpark it first")
                await self.go("ra", command.ra_deg, 4.0)
                await self.go("dec", command.dec_deg, 4.0)
                self.write("tracking", 1.0)
            case Sync():
                self.write("ra", command.ra_deg)
                self.write("dec", command.dec_deg)
            case Track(on=on):
                self.write("tracking", 1.0 if on else 0.0)
            case Pulse():
                self.pulses.append(command)
                await self.context.clock.sleep(command.duration_ms / 1000.0)
            case Park():
                await self.make_safe("asked to park")
            case _:
                return await super().do(command)
        return None

    async def make_safe(self, reason: str) -> None:
        self.write("tracking", 0.0)
        await self.go("dec", 90.0, 4.0)
        self.write("parked", 1.0)


class RegisterCamera(OnRegisters):
    kind = Kind.CAMERA

    def __init__(self, context: DriverContext) -> None:
        super().__init__(context)
        self.exposure_id: str | None = None
        self.since: datetime | None = None

    def about(self) -> DeviceAbout:
        limits = {"width_px": WIDTH_PX, "height_px": HEIGHT_PX, "pixel_um": 3.76}
        return DeviceAbout(kind=self.kind, driver="registers-camera", limits={**limits})

    def state(self) -> CameraState:
        cold = self.read("cooler") > 0.0
        return CameraState(
            connected=self.connected, at_rest=not cold and self.exposure_id is None,
            phase="idle" if self.exposure_id is None else "exposing",
            exposure_id=self.exposure_id, exposing_since=self.since, cooler_on=cold,
            sensor_c=self.read("sensor_c", 12.0),
            setpoint_c=self.read("setpoint_c") if cold else None,
            waiting=tuple(ref.sha256 for ref in self.context.spool.waiting()),
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case Expose():
                return await self.expose(command)
            case ListWaiting():
                return Waiting(frames=self.context.spool.waiting())
            case Acknowledge():
                self.context.spool.drop(command.sha256)
            case Cool():
                self.write("cooler", 1.0)
                self.write("setpoint_c", command.setpoint_c)
                self.ramp(command.setpoint_c, command.rate_c_per_min, cold=True)
            case Warm():
                self.ramp(12.0, command.rate_c_per_min, cold=False)
            case _:
                return await super().do(command)
        return None

    def ramp(self, to_c: float, rate_c_per_min: float, *, cold: bool) -> None:
        async def ramp() -> None:
            await self.go("sensor_c", to_c, rate_c_per_min / 60.0)
            self.write("cooler", 1.0 if cold else 0.0)

        self.context.spawn(f"ramp to {to_c:g}", ramp())

    async def expose(self, command: Expose) -> FrameRef:
        began = self.context.clock.now().astimezone(UTC)
        self.exposure_id, self.since = command.exposure_id, began
        self.context.changed()
        try:
            await self.context.clock.sleep(command.exposure_s)
        finally:
            self.exposure_id, self.since = None, None
            self.context.changed()
        shape = (HEIGHT_PX // command.binning, WIDTH_PX // command.binning)
        pixels = self.context.rng.integers(0, 4096, shape, dtype=np.uint16)
        ref = FrameRef(
            sha256="0" * 64, where="", width_px=shape[1], height_px=shape[0],
            exposure_id=command.exposure_id, frame=command.frame, began_at=began,
            exposure_s=command.exposure_s, gain=command.gain, offset=command.offset,
            binning=command.binning, sensor_c=self.read("sensor_c", 12.0), setpoint_c=None,
            pixel_um=3.76, electrons_per_adu=1.0, saturation_adu=4095,
        )  # fmt: skip
        return self.context.spool.keep(pixels, ref)

    async def make_safe(self, reason: str) -> None:
        self.ramp(12.0, 4.0, cold=False)


class RegisterFocuser(OnRegisters):
    kind = Kind.FOCUSER

    def state(self) -> FocuserState:
        return FocuserState(
            connected=self.connected, position=round(self.read("position")), max_position=9000,
            moving=self.moving, at_rest=not self.moving, temperature_c=self.read("celsius", 8.0),
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case Move():
                if command.position > 9000:
                    raise DeviceError(f"{command.position} is past the end at 9000 steps")
                await self.go("position", command.position, 400.0)
            case _:
                return await super().do(command)
        return None


class RegisterGuider(OnRegisters):
    kind = Kind.GUIDER

    def __init__(self, context: DriverContext) -> None:
        super().__init__(context)
        self.mount = context.peer("mount")
        self.guiding = False
        # A guider that was calibrated once is so after a restart.
        self.calibrated = context.kept_facts.load().get("calibrated") is True

    def state(self) -> GuiderState:
        return GuiderState(
            connected=self.connected, at_rest=not self.guiding, calibrated=self.calibrated,
            phase="guiding" if self.guiding else "idle",
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case StartGuiding():
                if not self.calibrated or command.recalibrate:
                    for direction in ("west", "north"):
                        await self.nudge(direction)
                    self.calibrated = True
                    self.context.kept_facts.save({"calibrated": True})
                await self.context.clock.sleep(command.settle.hold_s)
                self.guiding = True
            case Dither():
                await self.nudge("east" if command.east_arcsec > 0 else "west")
                await self.context.clock.sleep(command.settle.hold_s)
            case StopGuiding():
                self.guiding = False
            case _:
                return await super().do(command)
        return None

    async def nudge(self, direction: Any) -> None:
        state = self.mount.state
        if self.mount.down or not isinstance(state, MountState) or not state.tracking:
            raise DeviceError("the mount does not track: nothing can be guided", retryable=True)
        await self.mount.do(Pulse(direction=direction, duration_ms=500), timeout_s=5.0)

    async def make_safe(self, reason: str) -> None:
        self.guiding = False
        self.context.changed()


class RegisterWheel(OnRegisters):
    kind = Kind.FILTER_WHEEL

    def state(self) -> FilterWheelState:
        slot = self.read("slot")
        return FilterWheelState(
            connected=self.connected, filters=FILTERS, moving=self.moving,
            at_rest=not self.moving, selected=None if self.moving else FILTERS[round(slot)],
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case SelectFilter():
                if command.name not in FILTERS:
                    raise DeviceError(f"no filter is called {command.name}; {', '.join(FILTERS)}")
                await self.go("slot", FILTERS.index(command.name), 1.0)
            case _:
                return await super().do(command)
        return None


class RegisterWeather(OnRegisters):
    kind = Kind.WEATHER

    def __init__(self, context: DriverContext) -> None:
        super().__init__(context)
        self.read_at: datetime | None = None
        context.spawn("readings", self.keep_reading())

    async def keep_reading(self) -> None:
        while True:
            if self.connected:
                self.read_at = self.context.clock.now().astimezone(UTC)
                self.context.changed()
            await self.context.clock.sleep(timedelta(seconds=30).total_seconds())

    def state(self) -> WeatherState:
        return WeatherState(
            connected=self.connected, read_at=self.read_at, air_c=self.read("air_c"),
            wind_ms=self.read("wind"), rain=self.read("rain") > 0.0,
        )  # fmt: skip


class RegisterRoof(OnRegisters):
    kind = Kind.ROOF

    def state(self) -> RoofState:
        share = self.read("share")
        still = "open" if share == 1.0 else "closed" if share == 0.0 else "between"
        position: Any = "opening" if self.moving else still
        return RoofState(connected=self.connected, at_rest=still == "closed", position=position)

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case OpenRoof():
                await self.go("share", 1.0, 0.05)
            case CloseRoof():
                await self.make_safe("asked to close")
            case _:
                return await super().do(command)
        return None

    async def make_safe(self, reason: str) -> None:
        await self.go("share", 0.0, 0.05)


class RegisterPanel(OnRegisters):
    kind = Kind.FLAT_PANEL

    def state(self) -> FlatPanelState:
        percent = self.read("percent")
        return FlatPanelState(
            connected=self.connected, at_rest=percent == 0.0, lit=percent > 0.0,
            brightness_percent=percent, cover="closed" if self.read("cover") > 0.0 else "open",
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case Light():
                self.write("percent", command.brightness_percent)
            case Cover():
                await self.go("cover", 1.0 if command.closed else 0.0, 0.2)
            case _:
                return await super().do(command)
        return None

    async def make_safe(self, reason: str) -> None:
        self.write("percent", 0.0)


class RegisterSwitch(OnRegisters):
    kind = Kind.SWITCH

    def state(self) -> SwitchState:
        outlets = {name: self.read(name) > 0.0 for name in ("camera", "heater")}
        return SwitchState(connected=self.connected, outlets=outlets)

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case SetOutlet():
                self.write(command.outlet, 1.0 if command.on else 0.0)
            case CycleOutlet():
                self.write(command.outlet, 0.0)
                try:
                    await self.context.clock.sleep(command.off_s)
                finally:
                    self.write(command.outlet, 1.0)
            case _:
                return await super().do(command)
        return None


class RegisterRotator(OnRegisters):
    kind = Kind.ROTATOR

    def state(self) -> RotatorState:
        return RotatorState(
            connected=self.connected, angle_deg=self.read("angle") % 360.0, moving=self.moving,
            at_rest=not self.moving,
        )  # fmt: skip

    async def do(self, command: Command[Any]) -> Model | None:
        match command:
            case Rotate():
                await self.go("angle", command.angle_deg, 6.0)
            case _:
                return await super().do(command)
        return None


def checked(driver: Driver) -> Driver:
    """Return a driver; a type checker sees here that it is one."""
    return driver


FACTORIES: dict[Kind, DriverFactory] = {
    Kind.MOUNT: lambda context: checked(RegisterMount(context)),
    Kind.CAMERA: lambda context: checked(RegisterCamera(context)),
    Kind.FOCUSER: lambda context: checked(RegisterFocuser(context)),
    Kind.GUIDER: lambda context: checked(RegisterGuider(context)),
    Kind.FILTER_WHEEL: lambda context: checked(RegisterWheel(context)),
    Kind.WEATHER: lambda context: checked(RegisterWeather(context)),
    Kind.ROOF: lambda context: checked(RegisterRoof(context)),
    Kind.FLAT_PANEL: lambda context: checked(RegisterPanel(context)),
    Kind.SWITCH: lambda context: checked(RegisterSwitch(context)),
    Kind.ROTATOR: lambda context: checked(RegisterRotator(context)),
}
